"""What a finding shows, in three tables: SECTIONS (where it stands), ROWS (named paragraphs), FIGURES (numbers by
level).

A new thing that findings tell is a line here, and every form of the report carries it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from trapscan.contract import BaitFinding, Finding, ReplyKind, SlipFinding
from trapscan.levels import Lens
from trapscan.order import millionths
from trapscan.report import owned, words
from trapscan.report.text import one_in, percent, points
from trapscan.sanitize import sanitize


@dataclass(frozen=True, slots=True)
class SectionKind:
    """A section of the report: its key, heading, and what stands below that. `closed`: it is opened by the reader."""

    key: str
    heading: str
    about: str
    closed: bool = False


SECTIONS = (
    SectionKind("unsound", "Repair first", "Moves of the repertoire itself that lose something."),
    SectionKind("trick", "Tricks to set", "What the other side may do wrong, and how to punish it."),
    SectionKind("pitfall", "Pitfalls to avoid", "What our side may do wrong, and what it meets."),
    SectionKind("bait", "Baits", "Moves of ours that set tricks, and their price if nobody falls for them."),
    SectionKind(
        "gambit",
        "Gambits to meet",
        "Material given on purpose: no oversight, but one should have an answer.",
        closed=True,
    ),
    SectionKind(
        "positional", "Positional slips", "The position gets worse, and nothing is lost by force.", closed=True
    ),
    SectionKind(
        "forgone",
        "Chances forgone",
        "The other side's slip goes unpunished, and that is all. Where that slip has a card, it is told there too.",
        closed=True,
    ),
    SectionKind(
        "disputed",
        "Where the engines disagree",
        "The second engine sees no slip here: check before you rely on one.",
    ),
)
"""In the order of the report: for each kind what is won by force, then the natures that are not, and what a second
engine denies; order.section_of says where a finding stands."""

Told = str | Iterable[str]
Tell = Callable[[Finding, Lens], Told]


def _slip(tell: Callable[[SlipFinding], Told]) -> Tell:
    """A row that only slips have."""
    return lambda finding, lens: tell(finding) if isinstance(finding, SlipFinding) else ""


def _bait(tell: Callable[[BaitFinding, Lens], Told]) -> Tell:
    """A row that only baits have."""
    return lambda finding, lens: tell(finding, lens) if isinstance(finding, BaitFinding) else ""


def _any(tell: Callable[[Finding], Told]) -> Tell:
    return lambda finding, lens: tell(finding)


@dataclass(frozen=True, slots=True)
class RowKind:
    """A named paragraph, or several, that findings may have. All readable forms show it in the order of ROWS.

    `tell` gives plain text, empty where there is nothing to say. `by_level`: it reads per-level lists, so that the page
    carries it once for each of its stops. `sentence`: it is one, and stands in PGN comments and on question cards too.
    `column` is its name in the CSV, where it is one.
    """

    key: str
    name: str
    tell: Tell
    by_level: bool = False
    sentence: bool = False
    column: str = ""


REPLY_WORDS = {ReplyKind.CHECK: "a check", ReplyKind.CAPTURE: "a capture", ReplyKind.QUIET: "a quiet move"}

CHAPTER = RowKind("chapter", "Chapter", lambda finding, lens: "", column="chapters")
WORDS = RowKind("author", "Your words", lambda finding, lens: "", column="your_words")
"""They name chapters, which the scan has: told by whoever knows it (entry.Entry)."""

ROWS = (
    RowKind("mark", "Your mark", _slip(owned.mark_text), sentence=True, column="your_mark"),
    RowKind("felt", "How often", words.felt_text, by_level=True, sentence=True, column="how_often"),
    CHAPTER,
    RowKind("line", "Line", _any(words.line_text), column="line"),
    RowKind("opening", "Opening", _any(words.opening_text), column="opening"),
    RowKind("tempts", "Why it tempts", _any(lambda f: sanitize(f.why_tempting)), sentence=True, column="why_tempting"),
    RowKind("fails", "Why it fails", _any(lambda f: sanitize(f.why_it_fails)), sentence=True, column="why_it_fails"),
    RowKind("state", "Prepared", _slip(owned.state_text), column="prepared"),
    RowKind("moves", "Refutation", _slip(words.refutation_text), column="refutation"),
    RowKind(
        "reply", "To be found", _slip(lambda f: REPLY_WORDS[f.reply_kind] if f.reply_kind else ""), column="reply_kind"
    ),
    RowKind("likely", "As it will be played", _slip(words.likely_text), column="likely_line"),
    RowKind("let_off", "Let off", words.let_off_text, by_level=True),
    RowKind("also", "Punishes too", _slip(words.also_text), column="also"),
    RowKind("tricks", "Tricks", _bait(words.tricks_text), by_level=True),
    RowKind("balance", "Balance", _bait(words.balance_text), by_level=True),
    RowKind("instead", "Instead", _slip(words.instead_text), column="instead"),
    WORDS,
    RowKind("motifs", "Motifs", _any(lambda f: ", ".join(words.motifs_of(f))), column="motifs"),
    RowKind("games", "In the games", _slip(words.evidence_text), column="evidence"),
    RowKind("notes", "Note", words.notes),
)

ELSEWHERE = RowKind("elsewhere", "Elsewhere", lambda finding, lens: "")
"""Where else the idea of a card comes up: told of the card, not of one finding."""


@dataclass(frozen=True, slots=True)
class FigureKind:
    """A number that a finding has per level: its name, its unit, and how it is written. `card`: cards show it."""

    key: str
    name: str
    unit: str
    values: Callable[[Finding], Sequence[float]]
    write: Callable[[float], str]
    card: bool = True


def _often(finding: Finding) -> list[float]:
    """How often the slip is met and played, per level."""
    met = finding.met or finding.reach
    return [share * chance for share, chance in zip(met, finding.chance, strict=True)]


def _when_reached(finding: Finding) -> list[float]:
    """The toll in 100 games that get there, per level."""
    return [100 * chance * cost for chance, cost in zip(finding.chance, finding.cost, strict=True)]


FIGURES = (
    FigureKind("often", "Happens", "games of yours", _often, one_in),
    FigureKind("chance", "Played by", "of those who get there", lambda f: f.chance, percent),
    FigureKind("find", "Punished by", "of the players", lambda f: f.find, percent),
    FigureKind("cost", "Costs", "points each time", lambda f: f.cost, lambda value: f"{value:.2f}"),
    FigureKind("reached", "When reached", "points per 100 games", _when_reached, lambda value: f"{value:.1f}"),
    FigureKind("toll", "Toll", "points per 100 games", lambda f: f.toll, lambda value: points(millionths(value))),
    FigureKind("reach", "Reached in", "of the games", lambda f: f.reach, percent, card=False),
)
