"""From the search for baits to findings: price, gain, net and range of each move that pays. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import chess

from trapscan import rank
from trapscan.chance import expected
from trapscan.contract import (
    BaitDetails,
    BaitFinding,
    BaitReply,
    Depth,
    Gain,
    MoveText,
    Opening,
    Refutation,
    Side,
    Verified,
)
from trapscan.job.assemble import all_rounded, line_of, sans
from trapscan.job.bait_terms import BaitOutcome, Terms, Tried, terms
from trapscan.job.owned import Owned
from trapscan.job.positions import ExplainedSlip
from trapscan.job.state import ScanState
from trapscan.job.valuing import nature_and_worth
from trapscan.levels import at_level
from trapscan.model import Position
from trapscan.order import MET_DIGITS, TOLL_DIGITS, rounded
from trapscan.search import pays_below
from trapscan.settings import Settings


def bait_findings(seen: ScanState, outcomes: Iterable[tuple[str, BaitOutcome]]) -> Iterator[BaitFinding]:
    """The baits: moves that the repertoire does not hold, whose price is within the limit, and that bring enough by
    their slips and over the move they are measured against, all at the chosen level."""
    for epd, outcome in outcomes:
        position = seen.positions[epd]
        for tried in outcome.tried:
            if outcome.is_candidate(tried, position):
                found = terms(outcome, tried, seen.settings)
                if found.within_limit and found.brings_enough:
                    yield _finding(seen, position, outcome, tried, found)


def _repertoire_prices(outcome: BaitOutcome, settings: Settings) -> tuple[float, ...]:
    if outcome.score is None:
        return ()
    best, score = outcome.best.score, outcome.score
    return all_rounded([expected(best, level) - expected(score, level) for level in settings.levels], 4)


def _finding(seen: ScanState, position: Position, outcome: BaitOutcome, tried: Tried, found: Terms) -> BaitFinding:
    settings, levels = seen.settings, seen.settings.levels
    board = position.board()
    bait, after = tried.move, tried.outcome.examined
    reach = seen.reach.get((position.epd, board.turn), tuple(0.0 for _ in levels))
    told = _by_weight(tried, settings)
    first = told[0]
    chance = tuple(min(1.0, sum(after.chances[each.slip.move][i] for each in told)) for i in range(len(levels)))
    find = tuple(
        sum(after.chances[each.slip.move][i] * each.find[i] for each in told) / chance[i] if chance[i] else 0.0
        for i in range(len(levels))
    )
    ours, balance = found.ours, found.balance
    cost = tuple(gain / p if p else 0.0 for gain, p in zip(ours.slips, chance, strict=True))
    toll = tuple(100 * r * max(0.0, value) for r, value in zip(reach, balance.net, strict=True))
    owned = Owned.of(seen, position, board, bait)
    fallen = tried.position.board()
    fallen.push_uci(first.slip.move)
    nature, worth = nature_and_worth(first.explanation, after.best.score, first.slip.score, fallen, chance, first.find)
    return BaitFinding(
        id=rank.finding_id("bait", position.epd, bait),
        victim=Side.of(not board.turn),
        fen=board.fen(),
        start_fen=position.start_fen,
        line=line_of(position),
        move_orders=position.move_orders,
        opening=Opening(eco=position.opening[0], name=position.opening[1]) if position.opening else None,
        bait=_text(board, bait),
        replies=tuple(_reply(tried, each) for each in told),
        cp_best=after.best.score.json(),
        cp_slip=first.slip.score.json(),
        gain=Gain(first.explanation.gain),
        material=first.explanation.material,
        ply=first.explanation.ply,
        motifs=tuple(dict.fromkeys(motif for each in told for motif in each.explanation.motifs)),
        why_tempting=first.explanation.why_tempting,
        why_it_fails=first.explanation.why_it_fails,
        nature=nature,
        worth=all_rounded(worth, 4),
        must_know=rank.must_know(find, toll),
        chance=all_rounded(chance, 4),
        find=all_rounded(find, 4),
        reach=all_rounded(reach, 6),
        met=all_rounded(reach, MET_DIGITS),
        chapters=owned.listed,
        words=owned.words(),
        cost=all_rounded(cost, 4),
        toll=all_rounded(toll, 6),
        bait_details=BaitDetails(
            repertoire_move=_text(board, outcome.move) if outcome.move else None,
            repertoire_price=_repertoire_prices(outcome, settings),
            against=_text(board, outcome.measure) if outcome.measure is not None else None,
            price=all_rounded(found.prices, 4),
            slips_gain=all_rounded(ours.slips, 4),
            weak_gain=all_rounded(ours.gain, 4),
            net=all_rounded(balance.net, 4),
            net_low=all_rounded(balance.low, 4),
            net_high=all_rounded(balance.high, 4),
            firm=at_level(balance.low, levels, settings.level) > 0,
            pays_below=pays_below(balance.net, levels),
            otherwise=sans(tried.position.board(), after.best.pv[:2]),
        ),
        depth=Depth(exposed=first.slip.exposed),
        verified=Verified(nodes=first.slip.nodes),
    )


def _by_weight(tried: Tried, settings: Settings) -> list[ExplainedSlip]:
    """The slips with a refutation, those that add most at the chosen level first."""
    after = tried.outcome.examined
    best = expected(after.best.score, settings.level)

    def weight(told: ExplainedSlip) -> float:
        chance = at_level(after.chances[told.slip.move], settings.levels, settings.level)
        return rounded(chance * (best - expected(told.slip.score, settings.level)), TOLL_DIGITS)

    return sorted(
        (told for told in tried.outcome.told if told.slip.refutation), key=lambda told: (-weight(told), told.slip.move)
    )


def _reply(tried: Tried, told: ExplainedSlip) -> BaitReply:
    board = tried.position.board()
    slip, after = _text(board, told.slip.move), tried.outcome.examined
    board.push_uci(told.slip.move)
    line = sans(board, told.slip.refutation[: max(1, told.explanation.line)])
    return BaitReply(
        slip=slip,
        refutation=Refutation(san=line[0], uci=told.slip.refutation[0], line=line),
        chance=all_rounded(after.chances[told.slip.move], 4),
        cp_best=after.best.score.json(),
        cp_slip=told.slip.score.json(),
        gain=Gain(told.explanation.gain),
        motifs=told.explanation.motifs,
        why_tempting=told.explanation.why_tempting,
        why_it_fails=told.explanation.why_it_fails,
    )


def _text(board: chess.Board, uci: str) -> MoveText:
    return MoveText(san=board.san(chess.Move.from_uci(uci)), uci=uci)
