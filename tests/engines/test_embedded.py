"""The facts shipped about the embedded engine are those that measuring it gives."""

from __future__ import annotations

from trapscan.engines import choose, probe
from trapscan.engines.measure import measure


def test_shipped_facts_are_those_measured() -> None:
    spec = choose("embedded")
    shipped, measured = probe(spec), measure(spec, {})
    fields = ("name", "limit_kind", "multipv", "searchmoves", "wdl", "reproducible", "prime", "clear_hash", "scores")
    for field in (*fields, "least_nodes", "noise", "options", "answers"):
        assert getattr(shipped, field) == getattr(measured, field), field
    assert abs(shipped.mate_floor - measured.mate_floor) < 3000


def test_its_budgets_are_the_same_on_every_machine() -> None:
    facts = probe(choose("embedded"))
    assert [facts.scaled(budget) for budget in (500, 2_000, 5_000, 20_000, 100_000, 200_000)] == [
        4_000,
        4_000,
        4_000,
        9_037,
        24_434,
        37_500,
    ]
