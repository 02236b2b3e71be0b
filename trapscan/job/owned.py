"""What the owner's file says of a slip: which chapters hold it, how it is marked, what is prepared, what was written
there. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import chess

from trapscan.authored import Ids
from trapscan.contract import AuthorsWord, Instead, Place, Prepared, PreparedState, SlipKind
from trapscan.job.positions import ExplainedSlip, Outcome
from trapscan.job.state import ScanState
from trapscan.model import Position
from trapscan.rank import SIDES
from trapscan.sanitize import sanitize
from trapscan.score import Score, loss

MOST_CHAPTERS = 300
"""So many chapters of a finding are listed: the first moves of a book stand in thousands of its games."""
MOST_WORDS, WORDS_LENGTH = 6, 600
"""So many comments are told, and so many characters of each."""

MISTAKES, PRAISES = ("?", "??"), ("!", "!!", "!?")


@dataclass(frozen=True, slots=True)
class Owned:
    """A move of a position as the file has it. `edge`: its number in the tree, or None; `chapters`: those that hold
    the move, or else the position."""

    seen: ScanState
    position: Position
    board: chess.Board
    move: str
    edge: int | None
    chapters: Ids

    @classmethod
    def of(cls, seen: ScanState, position: Position, board: chess.Board, move: str) -> Owned:
        edge = seen.author.edge(position.epd, move)
        chapters = seen.author.played[edge] if edge is not None else seen.chapters(position.epd)
        return cls(seen, position, board, move, edge, chapters)

    @property
    def side(self) -> str:
        """Whose chapters these are: "white", "black", "both"."""
        return self.seen.author.side_of(self.chapters)

    @property
    def ours(self) -> chess.Color:
        """Who follows these chapters: whoever does not err, where they are for both sides."""
        return SIDES.get(self.side, not self.board.turn)

    @property
    def listed(self) -> Ids:
        """The chapters as a finding has them."""
        return self.chapters[:MOST_CHAPTERS]

    @property
    def mark(self) -> str:
        """How the author marks the move, or ""."""
        return self.seen.author.marks.get(self.edge, "") if self.edge is not None else ""

    @property
    def others(self) -> tuple[str, ...]:
        """The other moves (UCI) that the author means to be played here."""
        mine = self.seen.author.choices(self.position.epd, self.ours)
        return tuple(move for move in mine if move != self.move)

    @property
    def answers(self) -> tuple[str, ...]:
        """What the file answers to the move, in UCI; marked mistakes are no answers."""
        if self.edge is None:
            return ()
        tree = self.seen.author.tree
        return self.seen.author.choices(tree.positions[tree.edges[self.edge][2]].epd, self.ours)

    def warned(self, prepared: Prepared | None) -> bool:
        """Whether the author shows the move as a mistake: by a mark, or by its refutation beside another choice, unless
        the mark praises it."""
        if self.mark in MISTAKES or self.mark in PRAISES:
            return self.mark in MISTAKES
        return prepared is not None and prepared.right and (self.side == "both" or bool(self.others))

    def state(self, kind: SlipKind, prepared: Prepared | None, slips: frozenset[str]) -> PreparedState:
        """Whether what has to be played is prepared; `slips` are those of the position."""
        if kind is SlipKind.UNSOUND:
            return PreparedState.WRONG
        if prepared is not None and kind is SlipKind.TRICK:
            if not prepared.answers:  # it may have been cut off
                cut = 0 < self.seen.settings.plies <= len(self.position.moves) + 1
                return PreparedState.PAST if cut else PreparedState.NONE
            return PreparedState.RIGHT if prepared.right else PreparedState.WRONG
        if self.position.beyond or not self.position.prepared:
            return PreparedState.PAST
        if kind is SlipKind.TRICK or not self.others:
            return PreparedState.NONE
        return PreparedState.WRONG if self.others[0] in slips else PreparedState.RIGHT

    def better(self, outcome: Outcome, slip: Score) -> Instead | None:
        """The best of our own other moves here, if it is better than the slip by what is more than noise."""
        if self.edge is None if self.side == "both" else self.board.turn != self.ours:
            return None
        examined = outcome.examined
        scores: dict[str, Score] = {each.move: each.score for each in examined.slips}
        scores |= {move: score for move, score, _ in examined.others}
        if examined.best.pv:
            scores[examined.best.pv[0]] = examined.best.score
        known = [(loss(scores[move], slip), move) for move in self.others if move in scores]
        if not known or max(known)[0] < self.seen.settings.sound:
            return None
        _, move = max(known)
        return Instead(san=self.board.san(chess.Move.from_uci(move)), uci=move, cp=scores[move].json())

    def words(self, reply: str = "") -> tuple[AuthorsWord, ...]:
        """What the author wrote at the position, behind the move and behind the reply to it (UCI, or "")."""
        return tuple(self._words(reply))[:MOST_WORDS]

    def _words(self, reply: str) -> Iterator[AuthorsWord]:
        author, at = self.seen.author, self.seen.author.tree.index.get(self.position.epd)
        if at is not None:
            yield from _told(author.comments.get(at, {}), Place.POSITION)
        if self.edge is not None:
            yield from _told(author.remarks.get(self.edge, {}), Place.SLIP)
            answer = self._reply(reply)
            if answer is not None:
                yield from _told(author.remarks.get(answer, {}), Place.REFUTATION)

    def names(self, told: ExplainedSlip, also: tuple[str, ...]) -> str:
        """The move (SAN) that punishes which the author names: as a move after the slip, or in a comment there."""
        right = (*told.slip.refutation[:1], *also)
        after = self.board.copy(stack=False)
        slip = after.san_and_push(chess.Move.from_uci(self.move))
        replies = [after.san(chess.Move.from_uci(move)) for move in right]
        held = [san for move, san in zip(right, replies, strict=True) if self._reply(move) is not None]
        # at the position, the slip must be spoken of too
        texts = [word.text for word in self.words() if word.place is Place.SLIP or _speaks_of(word.text, slip)]
        return next(iter((*held, *(san for san in replies if any(_speaks_of(text, san) for text in texts)))), "")

    def _reply(self, reply: str) -> int | None:
        """The edge of a reply to the move, where the tree holds both."""
        if self.edge is None or not reply:
            return None
        author = self.seen.author
        after = author.tree.edges[self.edge][2]
        return author.edge(author.tree.positions[after].epd, reply)


def _told(said: Mapping[int, str], place: Place) -> Iterator[AuthorsWord]:
    for chapter, text in said.items():
        yield AuthorsWord(chapter=chapter, place=place, text=sanitize(text, limit=WORDS_LENGTH))


def _speaks_of(text: str, san: str) -> bool:
    """Whether a text names a move. A square alone is none: a pawn's move needs its number."""
    bare = san.rstrip("+#")
    before = r"(?<![\w-])" if bare[0].isupper() or "x" in bare else r"\d\s*\.+\s*"
    return re.search(before + re.escape(bare) + r"(?![\w-])", text) is not None


__all__ = ["MISTAKES", "PRAISES", "Owned"]
