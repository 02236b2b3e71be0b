"""Engines as a table for people and as JSON for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from trapscan.engines.facts import Probe
from trapscan.engines.probing import probe
from trapscan.engines.spec import EngineSpec, choose, chosen_because, discover, rank
from trapscan.errors import EngineError


class EngineRow(msgspec.Struct, frozen=True, kw_only=True):
    """An engine found, and what was measured, or why it could not be. `taken`: why a scan would take it, or ""."""

    spec: EngineSpec
    probe: Probe | None = None
    error: str = ""
    taken: str = ""

    @property
    def name(self) -> str:
        """Its own name, where it told one."""
        return self.probe.name if self.probe else self.spec.name

    @property
    def trouble(self) -> str:
        """Why it cannot be used, or ""."""
        return self.error or (self.probe.refused if self.probe else "")


def survey(engine: str | None = None, *, fresh: bool = False) -> list[EngineRow]:
    """Find and measure all engines: a row for each, the best first, the unusable last. `engine` is one more (as for
    `choose`).

    Raises NoEngineError when `engine` does not exist.
    """
    rows, taken = [], choose(engine)
    for spec in discover(engine):
        why = chosen_because(engine) if spec == taken else ""
        try:
            rows.append(EngineRow(spec=spec, probe=probe(spec, fresh=fresh), taken=why))
        except EngineError as exc:
            rows.append(EngineRow(spec=spec, error=exc.message, taken=why))
    return sorted(rows, key=lambda row: (bool(row.trouble), rank(row.spec)))


_HEADINGS = ("engine", "program", "limit", "lines", "moves", "repeats", "knodes/s", "scores")


def engines_table(rows: Sequence[EngineRow]) -> str:
    """Plain text, one line an engine, best first as given; below it what is odd, and what the columns mean."""
    if not rows:
        return "no engines found"
    cells: list[tuple[str, ...]] = [_HEADINGS]
    remarks: list[str] = []
    for row in rows:
        program = row.spec.name if row.spec.embedded else " ".join(row.spec.command)
        if row.probe is None or row.trouble:
            cells.append((row.name, program, "refused", "", "", "", "", ""))
            remarks.append(f"{row.name}: {row.trouble}")
            continue
        facts = row.probe
        limit = facts.limit_kind
        if limit == "nodes" and facts.limits.get("nodes", "exact") != "exact":
            limit = "nodes, coarse"
        speed = f"{facts.nps / 1000:.0f}"
        cells.append(
            (
                facts.name,
                program,
                limit,
                _yes(facts.multipv),
                _yes(facts.searchmoves),
                _yes(facts.reproducible),
                speed,
                facts.scores,
            )
        )
        remarks += [f"{facts.name}: {note}" for note in facts.notes]
    widths = [max(len(line[i]) for line in cells) for i in range(len(_HEADINGS))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in cells]
    lines.insert(1, "  ".join("-" * width for width in widths))
    lines += ["", *(_taken(row, rows) for row in rows if row.taken), *remarks]
    lines += [
        "",
        "limit: how a search is bounded; lines: several best lines in one search; moves: the search can be restricted",
        "to some moves; repeats: equal searches give equal answers; scores: exact, or bracketed by bounds.",
    ]
    return "\n".join(lines)


def _taken(row: EngineRow, rows: Sequence[EngineRow]) -> str:
    """Which engine a scan would take, and why."""
    best = f"; the best one here is {rows[0].name}" if row is not rows[0] else ""
    cannot = "; it cannot be used, so name another one with --engine" if row.trouble else ""
    return f"A scan takes {row.name}, {row.taken}{cannot}{best}."


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def engines_json(rows: Sequence[EngineRow]) -> bytes:
    """The engines with all that was measured of them, as JSON (UTF-8, keys sorted, one newline at the end)."""
    plain: list[dict[str, Any]] = []
    for row in rows:
        facts = msgspec.to_builtins(row.probe) if row.probe else None
        command = [row.spec.name] if row.spec.embedded else list(row.spec.command)
        told = {"usable": not row.trouble, "reason": row.trouble, "taken": row.taken}
        plain.append({"command": command, "measured": facts, **told})
    return msgspec.json.format(msgspec.json.encode(plain, order="sorted"), indent=2) + b"\n"
