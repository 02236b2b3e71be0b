"""Fit the worth of findings to the judgements of coaches, and write trapscan/rank/worth.toml.

    scripts/run fit_worth --engine /usr/games/stockfish
    scripts/run fit_worth FILE --print

FILE is a table of judged findings (worth/labelled.py says how it looks), by default
../shared/data/findings/coach_labels.jsonl. Each is examined as a scan with the preset does; all answers
are kept in --store.
"""

from __future__ import annotations

import sys
from pathlib import Path

from scripts.lab.worth import labelled
from scripts.lab.worth.ordered import fit
from trapscan.rank.worth import Model, features

TARGET = Path(__file__).resolve().parents[3] / "trapscan/rank/worth.toml"
HEAD = """\
# Whether a coach would set a position: weight times feature, summed (trapscan/rank/worth.py names the features).
# Written by scripts/run fit_worth: {count} judged findings, level {level}.

# the score from which a coach shows it, and from which he gladly sets it, as likely as not
"""


def text_of(model: Model, count: int) -> str:
    """The model as TOML; two figures after the point, as many as so few judgements bear."""
    lines = [
        HEAD.format(count=count, level=labelled.LEVEL),
        f"shown = {model.shown:.2f}",
        f"gladly = {model.gladly:.2f}",
    ]
    lines += ["", "[weights]", *(f"{name} = {weight:.2f}" for name, weight in model.weights.items())]
    return "\n".join(lines).replace("\n\nshown", "\nshown") + "\n"


def main() -> int:
    ask = labelled.options_of(__doc__)
    ask.add_argument("--print", action="store_true", help="print the file instead of writing it")
    options = ask.parse_args()
    judged = labelled.examine(options)
    model = fit([features(each.case) for each in judged], [each.row.teach for each in judged])
    text = text_of(model, len(judged))
    if options.print:
        print(text, end="")
    else:
        TARGET.write_text(text, encoding="utf-8")
        print(f"{TARGET}: {len(judged)} judged findings")
    return 0


if __name__ == "__main__":
    sys.exit(main())
