"""`python -m trapscan` is the command `trapscan`."""

import sys

from trapscan.cli import main

if __name__ == "__main__":
    sys.exit(main())
