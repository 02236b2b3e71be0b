"""The order of findings, and the one rule of rounding behind it. Nothing else in trapscan sorts findings by their
numbers: the page sorts by the places that it is given."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import Any

from trapscan.contract import Finding, SlipKind
from trapscan.levels import Lens

TOLL_DIGITS = 6
MILLION = 1_000_000


def rounded(value: float, digits: int) -> float:
    """To the nearest, a tie to the even one; never -0.0. Everything is rounded before it is ranked by: noise in the
    last digits must not change the order."""
    return round(value, digits) + 0.0


def millionths(value: float) -> int:
    """As a whole number of millionths: such add up to the same sum in any order and any language."""
    return round(MILLION * value)


def toll_at(finding: Finding, lens: Lens) -> int:
    """The toll in millionths of a point."""
    return millionths(lens.value(finding.toll))


def _by_toll(finding: Finding, lens: Lens) -> tuple[Any, ...]:
    return -toll_at(finding, lens), finding.id


Key = Callable[[Finding, Lens], tuple[Any, ...]]

ORDERS: Mapping[str, Key] = MappingProxyType({"toll": _by_toll})
"""By name: what findings are sorted by. Each key ends with the id, so that no two findings are equal."""

DEFAULT = "toll"


def ranked(findings: Iterable[Finding], lens: Lens, order: str = DEFAULT) -> list[Finding]:
    """The findings by one of ORDERS alone, whatever their kind."""
    key = ORDERS[order]
    return sorted(findings, key=lambda finding: key(finding, lens))


def in_order(findings: Iterable[Finding], lens: Lens) -> tuple[Finding, ...]:
    """The order of the report: unsound moves first, last what a second engine denies; within them as `ranked`."""
    return tuple(
        sorted(
            ranked(findings, lens),
            key=lambda finding: (finding.disputed, finding.kind is not SlipKind.UNSOUND),
        )
    )
