"""How well nature and worth agree with the judgements of coaches, each repertoire left out of the fit in turn.

    scripts/run check_worth --engine /usr/games/stockfish
    scripts/run check_worth FILE --list

Prints how the natures stand to the labels; the share of rows in which nature separates what is lost by force (labels
blow and drop) from the rest; of the quarter with the highest worth, how many a coach would show and how many he would
gladly set; how many of those that he would gladly set stand in the upper half. --list prints the rows by worth.
Ends with 1 where a share is below its goal.
"""

from __future__ import annotations

import sys
from collections import Counter

from scripts.lab.worth import labelled
from scripts.lab.worth.labelled import Labelled
from scripts.lab.worth.ordered import fit
from trapscan.contract import Nature
from trapscan.rank.worth import features

GOALS = {"separated": 0.88, "shown": 0.85, "gladly": 0.45, "upper half": 0.9}


def left_out(judged: list[Labelled]) -> list[float]:
    """The worth of each row by a model fitted on the other repertoires alone."""
    values = [features(each.case) for each in judged]
    worth = [0.0] * len(judged)
    for name in sorted({each.row.repertoire for each in judged}):
        rest = [i for i, each in enumerate(judged) if each.row.repertoire != name]
        model = fit([values[i] for i in rest], [judged[i].row.teach for i in rest])
        for i, each in enumerate(judged):
            if each.row.repertoire == name:
                worth[i] = model.worth(values[i])
    return worth


def main() -> int:
    ask = labelled.options_of(__doc__)
    ask.add_argument("--list", action="store_true")
    options = ask.parse_args()
    judged = labelled.examine(options)
    counts = Counter((each.row.label, each.case.nature) for each in judged)
    labels = sorted({each.row.label for each in judged})
    print(f"{'label':8}" + "".join(f"{nature:>12}" for nature in Nature))
    for label in labels:
        print(f"{label:8}" + "".join(f"{counts[label, nature]:12}" for nature in Nature))
    right = [(each.row.label in labelled.CONCRETE) == labelled.concrete(each.case.nature) for each in judged]
    worth = left_out(judged)
    order = sorted(range(len(judged)), key=lambda i: (-worth[i], judged[i].row.text))
    teach = [judged[i].row.teach for i in order]
    quarter, half = teach[: len(teach) // 4], teach[: len(teach) // 2]
    shares = {
        "separated": sum(right) / len(right),
        "shown": sum(t >= 1 for t in quarter) / len(quarter),
        "gladly": sum(t == 2 for t in quarter) / len(quarter),
        "upper half": sum(t == 2 for t in half) / max(1, sum(t == 2 for t in teach)),
    }
    if options.list:
        for i in order:
            each = judged[i]
            mark = " " if right[i] else "*"
            print(f"{worth[i]:.2f} {each.row.teach} {each.row.label:6} {each.case.nature:10}{mark} {each.row.text}")
    print(f"{len(judged)} rows, {sum(not each.told for each in judged)} of them not reported by a scan any more")
    for name, share in shares.items():
        print(f"{name:12} {share:.1%} (goal {GOALS[name]:.0%})")
    return 0 if all(share >= GOALS[name] for name, share in shares.items()) else 1


if __name__ == "__main__":
    sys.exit(main())
