"""How the sentences of a report repeat themselves: clauses by the share of sentences that have them, words a sentence.

    scripts/run wording reports/black                     why it fails, then why it tempts
    scripts/run wording findings.jsonl --field why_it_fails --top 20

A report's folder, its scan.json, or a file with a JSON object a line that has the fields. A clause is what stands
between commas, semicolons, colons and "and", "since", "so", "but"; moves, squares, men and sides are put aside first,
so that "Nxe5 takes it" and "dxe4 takes it" are one clause. Clauses of moves alone are not counted. Exit code 1 when a
clause stands in more than one in eight of the sentences.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]

MOST = 1 / 8
FIELDS = ("why_it_fails", "why_tempting")
SAN = re.compile(
    r"(?<![\w-])(?:O-O-O|O-O|[KQRBN][a-h]?[1-8]?x?[a-h][1-8]|[a-h]x[a-h][1-8](?:=[QRBN])?|[a-h][1-8](?:=[QRBN])?)[+#]?"
)
MAN = re.compile(r"\b(?:kings?|queens?|rooks?|bishops?|knights?|pawns?|pieces?|the exchange)\b")
BREAK = re.compile(r"[,;:.]|\b(?:and|since|so|but|because)\b")


def sentences(path: Path, field: str) -> list[str]:
    """The field's sentences, empty ones left out."""
    file = path / "scan.json" if path.is_dir() else path
    text = file.read_text(encoding="utf-8")
    rows = [json.loads(line) for line in text.splitlines()] if file.suffix == ".jsonl" else json.loads(text)["findings"]
    return [row[field] for row in rows if row.get(field)]


def clauses(sentence: str) -> set[str]:
    """The clauses of a sentence, with what differs from finding to finding put aside."""
    plain = re.sub(r"\b(?:White|Black)\b", "Side", MAN.sub("man", SAN.sub("M", sentence)))
    found = {" ".join(part.lower().split()) for part in BREAK.split(plain)}
    return {clause for clause in found if set(clause.split()) - {"m", "after", "man", "the", "on", "a", "then"}}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("report", type=Path)
    parser.add_argument("--field", choices=FIELDS, action="append", help="one of the two (default: both)")
    parser.add_argument("--top", type=int, default=10, help="clauses listed")
    options = parser.parse_args()
    over = 0
    for field in options.field or FIELDS:
        told = sentences(options.report, field)
        if not told:
            continue
        words = [len(sentence.split()) for sentence in told]
        counted = Counter(clause for sentence in told for clause in clauses(sentence))
        often = [clause for clause, times in counted.items() if times / len(told) > MOST]
        over += len(often)
        print(f"{field}: {len(told)} sentences, {len(set(told))} different; {sum(words) / len(words):.1f} words each, ")
        print(f"  the longest {max(words)}; {len(often)} clauses in more than one in eight")
        for clause, times in counted.most_common(options.top):
            print(f"  {times:5} {times / len(told):6.1%}  {clause}")
    return 1 if over else 0


if __name__ == "__main__":
    sys.exit(main())
