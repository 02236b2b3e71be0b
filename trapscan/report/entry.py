"""One finding as readers meet it, at one level: its rows and figures in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from trapscan.contract import BaitFinding, Finding, LookAlike, SlipFinding
from trapscan.levels import Lens
from trapscan.order import often_at, section_of
from trapscan.report import owned, words
from trapscan.report.rows import CHAPTER, ELSEWHERE, FIGURES, ROWS, WORDS, RowKind, Told
from trapscan.report.text import GAIN_WORDS, once, score_words
from trapscan.sanitize import sanitize


@dataclass(frozen=True, slots=True)
class Row:
    """A row of one finding: its paragraphs, plain text."""

    kind: RowKind
    paragraphs: tuple[str, ...]

    @property
    def text(self) -> str:
        """The paragraphs as one."""
        return " ".join(self.paragraphs)


@dataclass(frozen=True, slots=True)
class Twin:
    """A look-alike: its FEN, the squares that differ, what is so there."""

    fen: str
    squares: tuple[str, ...]
    text: str


@dataclass(frozen=True, eq=False)
class Entry:
    """One finding at one level, in words. Made when it is asked for, and not kept: there may be tens of thousands."""

    finding: Finding
    lens: Lens
    others: Sequence[Finding] = ()
    """Where it stands for an idea: the other findings that share it."""
    titles: tuple[str, ...] = ()
    """Of the scan's chapters."""

    @property
    def id(self) -> str:
        """Its id, plain text."""
        return sanitize(self.finding.id, limit=100)

    @property
    def kind(self) -> str:
        """Its kind, its nature, and whether it is disputed: "trick, tactic", "trick, oversight, disputed"."""
        disputed = ", disputed" if self.finding.disputed else ""
        return f"{self.finding.kind}, {self.finding.nature}{disputed}"

    @property
    def section(self) -> str:
        """The key of its section."""
        return section_of(self.finding)

    @cached_property
    def title(self) -> str:
        """The headline."""
        return words.title_of(self.finding)

    @property
    def gain(self) -> str:
        """What is won, in a word."""
        return GAIN_WORDS[self.finding.gain].split(" ")[-1]

    @property
    def must_know(self) -> bool:
        """Whether the refutation must be known at the level."""
        return self.lens.flag(self.finding.must_know)

    @cached_property
    def rows(self) -> tuple[Row, ...]:
        """The rows that have something to say."""
        return tuple(Row(kind, told) for kind in (*ROWS, ELSEWHERE) if (told := self.told(kind)))

    def told(self, kind: RowKind) -> tuple[str, ...]:
        """The paragraphs of one row."""
        told: Told
        if kind is ELSEWHERE:
            told = words.elsewhere_text(self.others)
        elif kind is CHAPTER:
            told = owned.chapter_text(self.finding, self.titles)
        elif kind is WORDS:
            told = owned.words_text(self.finding, self.titles)
        else:
            told = kind.tell(self.finding, self.lens)
        return tuple(text for text in ((told,) if isinstance(told, str) else told) if text)

    def row(self, key: str) -> str:
        """The text of a row, or empty."""
        return next((row.text for row in self.rows if row.kind.key == key), "")

    @cached_property
    def figures(self) -> dict[str, str]:
        """All figures, written, by their keys."""
        return {kind.key: kind.write(self.lens.value(kind.values(self.finding))) for kind in FIGURES}

    @property
    def brief(self) -> tuple[str, str, str]:
        """One line: what is played and won, where, and how often it happens (an idea: in all its positions)."""
        where = words.opening_family(self.finding) or "no named opening"
        more = f", and {len(self.others)} more like it" if self.others else ""
        return self.title, f"{sanitize(where, limit=60)}, {words.line_text(self.finding)}{more}", once(self.often)

    @property
    def often(self) -> float:
        """How often it happens; of an idea: in all its positions."""
        return min(1.0, sum(often_at(finding, self.lens) for finding in (self.finding, *self.others)))

    @property
    def sentences(self) -> tuple[str, ...]:
        """The rows that are sentences."""
        return tuple(row.text for row in self.rows if row.kind.sentence)

    @property
    def twins(self) -> tuple[Twin, ...]:
        """Its look-alikes."""
        if isinstance(self.finding, BaitFinding):
            return ()
        return tuple(_twin(self.finding, twin) for twin in self.finding.look_alikes)


def _twin(finding: SlipFinding, twin: LookAlike) -> Twin:
    text = f"{score_words(twin.cp_move)} instead of {score_words(finding.cp_slip)}. {twin.reason}"
    return Twin(twin.fen, twin.squares, sanitize(text))
