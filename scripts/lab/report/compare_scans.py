"""Compare two scan.json field by field, of schema scan/1 or scan/2: nothing may be lost when the records change.

scripts/run compare_scans OLD/scan.json NEW/scan.json [--ignore FIELD ...]

Findings are matched by id. A field of scan/1 that a record of scan/2 does not have must be empty there (null, false, 0,
or an empty list or text): such fields told only which of the two a finding is. Fields that only NEW has are counted by
name. Prints the counts, the fields that differ with an example each, and whether the findings stand in the same order.
Exit code 1 when anything differs but what is ignored."""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from pathlib import Path
from typing import Any

HEAD = {"schema", "tool", "findings"}


def load(path: Path) -> dict[str, Any]:
    """A scan.json, or the one of a report's folder."""
    value = json.loads((path / "scan.json" if path.is_dir() else path).read_bytes())
    assert isinstance(value, dict)
    return value


def differences(old: dict[str, Any], new: dict[str, Any]) -> tuple[set[str], set[str]]:
    """Fields of `old` that `new` lacks or has otherwise, and fields that only `new` has."""
    wrong = {name for name, value in old.items() if (name not in new and value) or (name in new and new[name] != value)}
    return wrong, set(new) - set(old)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("old", type=Path)
    parser.add_argument("new", type=Path)
    parser.add_argument(
        "--ignore", nargs="+", default=[], metavar="FIELD", help="of a finding, or at the top; `order`: theirs"
    )
    options = parser.parse_args()
    old, new = load(options.old), load(options.new)
    print(f"{old['schema']} with {len(old['findings'])} findings, {new['schema']} with {len(new['findings'])}")
    ignored, faults = {*options.ignore, *HEAD}, 0

    wrong, more = differences(old, new)
    for name in sorted(wrong - ignored):
        faults += 1
        print(f"  at the top, {name}: {old[name]!r:.200}, now {new.get(name)!r:.200}")
    print(f"at the top: {len(set(old) - ignored)} fields compared, {len(wrong - ignored)} differ, new: {sorted(more)}")

    before = {finding["id"]: finding for finding in old["findings"]}
    after = {finding["id"]: finding for finding in new["findings"]}
    for text, names in (("gone", before.keys() - after.keys()), ("new", after.keys() - before.keys())):
        faults += len(names)
        print(f"findings {text}: {len(names)} {sorted(names)[:5] or ''}")
    compared, added = 0, Counter[str]()
    differing, example = Counter[str](), dict[str, str]()
    both = [name for name in before if name in after]
    for name in both:
        wrong, more = differences(before[name], after[name])
        compared += len(before[name])
        added.update(more)
        for field in wrong - ignored:
            differing[field] += 1
            example.setdefault(field, f"{name}: {before[name][field]!r:.200}, now {after[name].get(field)!r:.200}")
    faults += differing.total()
    print(f"findings in both: {len(both)}, fields compared: {compared}, differing: {differing.total()}")
    for field, count in differing.most_common():
        print(f"  {field} {count} times; {example[field]}")
    print(f"fields that only the new ones have: {dict(sorted(added.items()))}")
    same = both == [name for name in after if name in before]
    print("their order is the same" if same else "their order differs")
    sys.exit(bool(faults) or not (same or "order" in ignored))


if __name__ == "__main__":
    main()
