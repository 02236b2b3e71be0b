"""What the probe says about real engines, and that each, driven accordingly, answers alike whatever came before.

The facts about limits were first seen by hand with Debian's packages (the table in DEVELOPERS.md).
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import chess
import pytest

from trapscan.engines import Engine, EngineRow, EngineSpec, choose, engine_identity, engines_json, engines_table, probe
from trapscan.engines.embedded import embedded
from trapscan.errors import EngineRefusedError
from trapscan.model import Query
from trapscan.score import Score
from trapscan.stopping import RESTLESS, LossStop, Noise, StableScoreStop

# After 1.e4 c5 2.Nf3 e6 3.d4 cxd4 4.Nxd4 Nf6 5.e5: 5...Qa5+ wins the pawn on e5 (common practice, no source).
OPEN_SICILIAN = "rnbqkb1r/pp1p1ppp/4pn2/4P3/3N4/8/PPP2PPP/RNBQKB1R b KQkq -"

Find = Callable[[str], EngineSpec]

LIMITS = {
    "stockfish": "nodes",
    "fairy-stockfish": "nodes",
    "ethereal-chess": "depth",  # answers `go nodes` at depth 1
    "toga2": "depth",  # never comes back from `go nodes`
    "gnuchess": "depth",  # likewise
    "glaurung": "nodes",
    "sjaakii": "depth",
    "embedded": "nodes",
}
STRONG = () if embedded().small else ("embedded",)
BOTH = {"stockfish", "fairy-stockfish", "glaurung", *STRONG}  # MultiPV and searchmoves

WATCHABLE = {"stockfish", "fairy-stockfish", *STRONG}

pytestmark = [pytest.mark.engine, pytest.mark.parametrize("name", LIMITS)]


def test_the_probe_finds_the_limit_that_works(name: str, engine_or_skip: Find) -> None:
    facts = probe(engine_or_skip(name))
    assert facts.refused == ""
    assert facts.limit_kind == LIMITS[name]
    assert (facts.multipv and facts.searchmoves) == (name in BOTH)
    assert facts.nps > 1000
    if facts.limit_kind == "depth":
        depths = [
            int(facts.driven_by.go(budget).split()[1]) for budget in (1_000, 2_000, 5_000, 20_000, 100_000, 200_000)
        ]
        assert depths == sorted(depths)
        assert 5 <= depths[0] <= 12 and 7 <= depths[-1] <= 17
        assert depths[-1] > depths[0]
    if name == "toga2":
        assert "does not come back" in facts.limits["nodes"]
    if name == "ethereal-chess":
        assert facts.limits["nodes"].startswith("ignored")


def test_a_pawn_lost_by_a_check_is_seen(name: str, engine_or_skip: Find) -> None:
    spec = engine_or_skip(name)
    with Engine(spec, probe(spec)) as engine:
        answer = engine.evaluate(Query(OPEN_SICILIAN, 20_000))
        assert answer.best.pv[0] == "d8a5"
        assert answer.best.score.side == chess.BLACK
        assert answer.best.score.plain > 0
        assert answer.notes == ()


def test_equal_queries_get_equal_answers_in_any_order(name: str, engine_or_skip: Find) -> None:
    spec = engine_or_skip(name)
    facts = probe(spec)
    if not facts.reproducible:
        pytest.skip(f"{name} is known not to repeat itself; its probe says so")
    epds = [
        OPEN_SICILIAN,
        "r1bqkbnr/pppp1ppp/2n5/4p3/2B1P3/5N2/PPPP1PPP/RNBQK2R b KQkq -",
        "8/5pk1/4p1p1/8/3R4/4P1PP/r4PK1/8 w - -",
        "r3k2r/pp3ppp/2p1b3/8/8/2N5/PPP2PPP/R3K2R w KQkq -",
        "rnbqkbnr/pppp1ppp/8/4p3/6P1/5P2/PPPPP2P/RNBQKBNR b KQkq -",
    ]
    budget = 1000 if spec.box is not None and spec.box.small else 4000
    queries = [Query(epd, budget) for epd in epds] + [Query(epd, 2 * budget) for epd in epds[:2]]
    seen: dict[Query, object] = {}
    for seed in range(3):
        order = queries[:]
        random.Random(seed).shuffle(order)
        with Engine(spec, facts) as engine:
            for query in order:
                answer = engine.evaluate(query)
                assert seen.setdefault(query, answer) == answer


def test_mates_carry_their_sign_and_distance(name: str, engine_or_skip: Find) -> None:
    spec = engine_or_skip(name)
    with Engine(spec, probe(spec)) as engine:
        # 3...Qh4# after 1.f3 e5 2.g4
        won = engine.evaluate(Query("rnbqkbnr/pppp1ppp/8/4p3/6P1/5P2/PPPPP2P/RNBQKBNR b KQkq -", 20_000))
        assert won.best.score == Score(chess.BLACK, mate=1)
        assert won.best.pv == ("d8h4",)
        # Black must play ...Kb8 or ...Ka8-b8 and is mated on the back rank
        lost = engine.evaluate(Query("k7/8/1K6/8/8/8/8/1R6 b - -", 50_000))
        assert lost.best.score.side == chess.BLACK
        assert lost.best.score.plain < -400


def test_lines_and_moves_where_they_are_honoured(name: str, engine_or_skip: Find) -> None:
    spec = engine_or_skip(name)
    facts = probe(spec)
    with Engine(spec, facts) as engine:
        if name not in BOTH:
            with pytest.raises(ValueError, match="only be asked for the best line"):
                engine.evaluate(Query(OPEN_SICILIAN, 5000, lines=2))
            return
        three = engine.evaluate(Query(OPEN_SICILIAN, 20_000, lines=3))
        assert three.lines[0].pv[0] == "d8a5"
        assert len({line.pv[0] for line in three.lines}) == 3
        assert [line.score.plain for line in three.lines] == sorted((s.score.plain for s in three.lines), reverse=True)
        some = engine.evaluate(Query(OPEN_SICILIAN, 5000, moves=("f6d5", "f6e4"), lines=2))
        assert {line.pv[0] for line in some.lines} == {"f6d5", "f6e4"}
        every = engine.evaluate(Query("7k/8/8/8/8/8/5r2/7K w - -", 5000, lines=9))
        assert {line.pv[0] for line in every.lines} == {"h1g1"}


def test_chess960_only_where_the_position_needs_it(name: str, engine_or_skip: Find) -> None:
    spec = engine_or_skip(name)
    facts = probe(spec)
    odd = Query("bqnbrknr/pppppppp/8/8/8/8/PPPPPPPP/BQNBRKNR w HEhe -", 3000)
    with Engine(spec, facts) as engine:
        if not any(option.name == "UCI_Chess960" for option in facts.options):
            with pytest.raises(EngineRefusedError, match="Chess960"):
                engine.evaluate(odd)
        else:
            first = engine.evaluate(odd)
            assert chess.Move.from_uci(first.best.pv[0]) in chess.Board(odd.epd + " 0 1", chess960=True).legal_moves
        assert engine.evaluate(Query(OPEN_SICILIAN, 5000)).best.pv[0] == "d8a5"


def test_the_identity_tells_engines_and_their_settings_apart(name: str, engine_or_skip: Find) -> None:
    spec = engine_or_skip(name)
    facts = probe(spec)
    identity = engine_identity(spec, facts, 16, {})
    assert identity == engine_identity(spec, facts, 16, {})
    others = {
        engine_identity(spec, facts, 32, {}),
        engine_identity(spec, facts, 16, {"Tune": 1}),
        engine_identity(choose("embedded" if name != "embedded" else "python3"), facts, 16, {}),
    }
    assert identity not in others and len(others) == 3


def test_the_table_and_the_json_name_it(name: str, engine_or_skip: Find) -> None:
    spec = engine_or_skip(name)
    row = EngineRow(spec=spec, probe=probe(spec))
    assert row.probe is not None
    assert row.probe.name in engines_table([row])
    assert row.probe.name.encode() in engines_json([row])


UNTIL = LossStop(best=0.5, threshold=0.1, sigmas=0.7, least=2_000, confirm=6_000, noise=Noise(0.058, 0.35))
CHILDREN = (
    "rnbqkbnr/pppp2pp/5p2/4p3/4P3/5N2/PPPP1PPP/RNBQKB1R w KQkq -",
    "rnbqkb1r/pppp1ppp/5n2/4p3/4P3/5N2/PPPP1PPP/RNBQKB1R w KQkq -",
)


def test_a_watched_search_ends_early_and_always_alike(name: str, engine_or_skip: Find) -> None:
    """The answer is what the same search had said up to there, however soon the engine obeys."""
    spec = engine_or_skip(name)
    facts = probe(spec)
    assert facts.watchable == (name in WATCHABLE)
    if name not in WATCHABLE:
        return
    engine = Engine(spec, facts)
    for epd in CHILDREN:
        query = Query(epd, 600_000, until=UNTIL)
        first, again = engine.evaluate(query), engine.evaluate(query)
        assert first == again
        assert first.nodes < facts.stretched(600_000) and first.trail[-1][:2] == (first.nodes, first.best.score)
        nodes = [step.nodes for step in first.trail]
        assert nodes == sorted(nodes)
        never = replace(UNTIL, sigmas=100.0)
        whole = engine.evaluate(Query(epd, 600_000, until=never))
        assert whole.trail[: len(first.trail)] == first.trail and len(whole.trail) > len(first.trail)


def test_a_score_at_rest_ends_the_search_and_always_alike(name: str, engine_or_skip: Find) -> None:
    """An engine that cannot be watched takes the usual nodes instead, and its answer is that of a plain search."""
    spec = engine_or_skip(name)
    facts = probe(spec)
    engine, calm = Engine(spec, facts), StableScoreStop.around(2_000)
    for epd in CHILDREN:
        found = engine.evaluate(Query(epd, calm.most, until=calm))
        assert found == engine.evaluate(Query(epd, calm.most, until=calm))
        if name not in WATCHABLE:
            assert found == engine.evaluate(Query(epd, calm.usual))
            continue
        rule = calm.for_noisier(facts.noise)
        ends = [rule.settled(found.trail[: n + 1]) for n in range(len(found.trail))]
        assert not any(ends[:-1]), "no later than it had to"
        assert ends[-1] or found.nodes >= facts.stretched(calm.most), "and no sooner"
        restless = engine.evaluate(Query(epd, calm.most, until=replace(calm, within=-1.0)))
        assert restless.trail[: len(found.trail)] == found.trail and restless.nodes >= facts.stretched(calm.most)
        last = [score.expected() for _, score, _ in restless.trail[-RESTLESS:]]
        assert restless.best.score.expected() == pytest.approx(sum(last) / RESTLESS, abs=0.002)
        if ends[-1]:
            assert found.best.score == found.trail[-1][1]
