"""The data that travels between the rooms: positions, questions to an engine, verdicts (scan.json: contract).

Moves inside trapscan are UCI strings ("e2e4", "e7e8q", castling as the king's move "e1g1"; in Chess960 the king
takes its rook); SAN appears only in what a person reads. An EPD here is always the four fields of `chess.Board.epd()`
with a legal en passant square only: it decides the legal moves, and two move orders that reach it are one position.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import chess

from trapscan.score import Score
from trapscan.stopping import Iteration, LossStop, StableScoreStop

# --- asking an engine ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, order=True)
class Query:
    """One question to an engine, answered independently of every other (cleared hash): equal query, equal answer.

    `budget` is in engine nodes; an engine that cannot count nodes turns it into a calibrated depth. `moves` restricts
    the root moves (empty: all legal moves). `lines` is the number of best lines wanted (MultiPV). With `until` the
    search ends as soon as that is settled, at `budget` at the latest.
    """

    epd: str
    budget: int
    moves: tuple[str, ...] = ()
    lines: int = 1
    until: LossStop | StableScoreStop | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """A score from the point of view of the side to move in the query's position, and the moves that lead to it."""

    score: Score
    pv: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Evaluation:
    """The answer to a query: best line first; empty `lines` never occurs except for mate and stalemate (one line
    with an empty pv). `nodes` is what the engine says it spent; `notes` tells of anything odd (a cut line...).
    `trail`, only where the query has an `until`: the search's iterations."""

    lines: tuple[Line, ...]
    nodes: int
    depth: int = 0
    notes: tuple[str, ...] = ()
    trail: tuple[Iteration, ...] = ()

    @property
    def best(self) -> Line:
        """The first line."""
        return self.lines[0]


class Evaluator(Protocol):
    """Something that answers queries: a live engine, the store, or a plain table in a test."""

    @property
    def multipv(self) -> bool:
        """Whether `lines` > 1 and `moves` are honoured. If not, only lines=1 and moves=() may be asked."""
        ...

    @property
    def steady(self) -> bool:
        """Whether its scores swing no more than those that the settings' noise was measured with."""
        ...

    def evaluate(self, query: Query) -> Evaluation:
        """Answer; raises a subclass of trapscan.errors.EngineError when no usable answer can be had."""
        ...


# --- chances ---------------------------------------------------------------------------------------------------------

Chances = Mapping[str, tuple[float, ...]]
"""Move (UCI) -> probability per level. For every level the probabilities sum to one over the legal moves."""


class ChanceModel(Protocol):
    """How likely players of given levels are to choose each legal move, before any engine has spoken."""

    @property
    def name(self) -> str:
        """Identity for the settings of a scan: name and version or hash of the weights."""
        ...

    def predict(self, boards: list[chess.Board], levels: tuple[int, ...]) -> list[Chances]:
        """One mapping a board. Its move stack, if any, tells the last moves; its fullmove number tells the ply."""
        ...

    def join(self, chances: Chances, losses: Mapping[str, tuple[float, float]], levels: tuple[int, ...]) -> Chances:
        """Chances once an engine has looked: `losses` maps some of the moves to (loss at the shallow screen, loss at
        the deepest search), in objective expected score, never negative. Moves without losses keep their share."""
        ...


# --- positions -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Position:
    """A merged position of the repertoire.

    `moves` is one shortest move order (UCI) from `start_fen`; `move_orders` counts all of them. `prepared` are the
    moves the repertoire holds here (UCI, first the main one). `opening` is (ECO, name) of the last named position on
    the way, or None. `beyond` is 0 in the tree, else how many plies past its end.
    """

    epd: str
    start_fen: str
    moves: tuple[str, ...]
    move_orders: int
    prepared: tuple[str, ...] = ()
    opening: tuple[str, str] | None = None
    beyond: int = 0

    def board(self) -> chess.Board:
        """The position as a board with its move stack."""
        board = chess.Board(self.start_fen, chess960=False)
        for uci in self.moves:
            board.push_uci(uci)
        return board


@dataclass(frozen=True, slots=True)
class Slip:
    """A verified slip. `score` is the victim's after the move; `refutation` the punisher's line (UCI, reply first),
    `also` other first moves that punish as well; `exposed` the smallest budget at which the slip showed, `nodes` the
    budget at which it was last confirmed."""

    move: str
    score: Score
    refutation: tuple[str, ...]
    also: tuple[str, ...]
    exposed: int
    nodes: int


@dataclass(frozen=True, slots=True)
class Examined:
    """What a search found out about one position: the victim's best line, the moves that are slips, and every other
    examined move with its score (victim's view) and the budget behind it. `chances` are joined with the losses."""

    epd: str
    best: Line
    slips: tuple[Slip, ...]
    others: tuple[tuple[str, Score, int], ...]
    chances: Chances
    candidates: int
    searches: int
    nodes: int
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Signs:
    """What a slip and its refutation do on the board, in pawns of the punisher, counted where the captures have been
    played out and against the board before the slip: so a capture that the victim lets go is no loss of his.

    `taken`: what the punisher wins soon and keeps; `first`: what of it stands after the first reply. `at_once`: what
    the first reply wins by the exchange on its square; `was_there`: what it would have won if the slip had been a pass.
    `given`: the most that the punisher is behind on the way. `could`: what the victim's best line wins, the victim's
    pawns; `could_mate`: it mates. `check`, `capture`, `threat`: what the first reply is (a threat to take something
    with profit, or to mate). `slip_takes`: what the slip wins by the exchange on its square; negative where it gives
    something there.
    """

    taken: int = 0
    first: int = 0
    at_once: int = 0
    was_there: int = 0
    given: int = 0
    could: int = 0
    could_mate: bool = False
    check: bool = False
    capture: bool = False
    threat: bool = False
    slip_takes: int = 0
