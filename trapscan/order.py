"""The order of findings, and the one rule of rounding behind it. Nothing else in trapscan sorts findings by their
numbers: the page sorts by the places that are given to it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from trapscan.contract import Finding, SlipKind
from trapscan.levels import at_level

TOLL_DIGITS = 6


def rounded(value: float, digits: int) -> float:
    """To the nearest, a tie to the even one; never -0.0. Everything is rounded before it is ranked by: noise in the
    last digits must not change the order."""
    return round(value, digits) + 0.0


def toll_key(finding: Finding, levels: Sequence[int], level: float) -> tuple[float, str]:
    """Highest toll at the level first; equal ones by id."""
    return -rounded(at_level(finding.toll, levels, level), TOLL_DIGITS), finding.id


def by_toll(findings: Iterable[Finding], levels: Sequence[int], level: float) -> list[Finding]:
    """The findings by toll at the level alone."""
    return sorted(findings, key=lambda finding: toll_key(finding, levels, level))


def in_order(findings: Iterable[Finding], levels: Sequence[int], level: float) -> tuple[Finding, ...]:
    """The order of the report: unsound moves first, then by toll; last what a second engine denies, likewise."""
    return tuple(
        sorted(
            findings,
            key=lambda finding: (
                finding.disputed,
                finding.kind is not SlipKind.UNSOUND,
                *toll_key(finding, levels, level),
            ),
        )
    )
