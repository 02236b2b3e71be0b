"""The command line with a report on the way every half second, where a scan is over long before the first would be."""

from __future__ import annotations

import sys

from trapscan.cli import main, onway

EVERY = 0.5


class Often(onway.Pace):
    """The next report is due in half a second, whatever they cost."""

    def wrote(self, began: float, ended: float) -> None:
        self.due = ended + EVERY


if __name__ == "__main__":
    onway.FIRST = EVERY
    onway.Pace = Often  # type: ignore[misc]
    sys.exit(main())
