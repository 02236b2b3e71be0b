"""Engines as a table for people and as JSON for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from trapscan.engines.facts import Probe, probe
from trapscan.engines.spec import EngineSpec, discover
from trapscan.errors import EngineError


class EngineRow(msgspec.Struct, frozen=True, kw_only=True):
    """An engine found, and what was measured, or why it could not be."""

    spec: EngineSpec
    probe: Probe | None = None
    error: str = ""

    @property
    def trouble(self) -> str:
        """Why it cannot be used, or ""."""
        return self.error or (self.probe.refused if self.probe else "")


def survey(engine: str | None = None, *, fresh: bool = False) -> list[EngineRow]:
    """Find and measure all engines: `engine` (as for `choose`) first; a row for each, usable or not.

    Raises NoEngineError when `engine` does not exist.
    """
    rows = []
    for spec in discover(engine):
        try:
            rows.append(EngineRow(spec=spec, probe=probe(spec, fresh=fresh)))
        except EngineError as exc:
            rows.append(EngineRow(spec=spec, error=exc.message))
    return rows


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
            name = row.probe.name if row.probe else row.spec.name
            cells.append((name, program, "refused", "", "", "", "", ""))
            remarks.append(f"{name}: {row.trouble}")
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
    if remarks:
        lines += ["", *remarks]
    lines += [
        "",
        "limit: how a search is bounded; lines: several best lines in one search; moves: the search can be restricted",
        "to some moves; repeats: equal searches give equal answers; scores: exact, or bracketed by bounds.",
    ]
    return "\n".join(lines)


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def engines_json(rows: Sequence[EngineRow]) -> bytes:
    """The same with all that was measured, as JSON (UTF-8, keys sorted, one newline at the end)."""
    plain: list[dict[str, Any]] = []
    for row in rows:
        facts = msgspec.to_builtins(row.probe) if row.probe else None
        command = [row.spec.name] if row.spec.embedded else list(row.spec.command)
        plain.append({"command": command, "usable": not row.trouble, "reason": row.trouble, "measured": facts})
    return msgspec.json.format(msgspec.json.encode(plain, order="sorted"), indent=2) + b"\n"
