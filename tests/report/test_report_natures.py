"""Natures and ideas in every form: sections of their own, one card an idea, the first of each at the head."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from pathlib import Path

import chess.pgn
import msgspec
import pytest

from tests.report.sample_scans import trap_scan
from trapscan.contract import LetOff, Nature, Scan, SlipFinding, SlipKind
from trapscan.errors import ReportError
from trapscan.levels import Lens
from trapscan.order import by_idea, section_of, standing
from trapscan.report import tables
from trapscan.report.markdown import markdown
from trapscan.report.present import Presentation
from trapscan.report.render import write_reports
from trapscan.report.text import once, part_of_point

NATURES = tuple(Nature)


def told(*, ideas: int = 4) -> Scan:
    """The documented traps with a nature, a worth and an idea each: so many of the tricks share one."""
    scan = trap_scan()
    out = []
    for number, finding in enumerate(scan.findings):
        trick = isinstance(finding, SlipFinding) and finding.kind is SlipKind.TRICK
        nature = NATURES[number % len(NATURES)]
        out.append(
            msgspec.structs.replace(
                finding,
                nature=nature,
                worth=tuple(round((number * 7 % 31) / 31, 4) for _ in scan.levels),
                met=finding.reach,
                idea="shared" if trick and nature is Nature.TACTIC and number < 5 * ideas else finding.id,
            )
        )
    return msgspec.structs.replace(scan, findings=tuple(out))


def test_every_finding_stands_in_one_section_and_its_idea_on_one_card() -> None:
    scan = told()
    shown = Presentation.of(scan)
    sections = shown.sections(1000)
    seen = [
        finding.id for section in sections for entry in section.entries for finding in (entry.finding, *entry.others)
    ]
    assert sorted(seen) == sorted(finding.id for finding in scan.findings), "each once"
    for section in sections:
        assert section.findings == sum(1 + len(entry.others) for entry in section.entries)
        for entry in section.entries:
            assert section_of(entry.finding) == section.kind.key
            if section.kind.key in ("trick", "pitfall"):
                assert entry.finding.nature in (Nature.TACTIC, Nature.OVERSIGHT)
            if section.kind.key in ("gambit", "positional", "forgone"):
                assert entry.finding.nature == section.kind.key and section.kind.closed
    (shared,) = [entry for section in sections for entry in section.entries if entry.others]
    assert {finding.idea for finding in (shared.finding, *shared.others)} == {"shared"}
    assert f"in {len(shared.others)} more position" in shared.row("elsewhere")


def test_ideas_stand_by_worth_and_how_often_all_of_an_idea_happens() -> None:
    """By hand: worth times how often it happens to the fourth root; an idea happens as often as all its findings.
    Each in a position of its own: what is shown twice is tested with the order."""
    scan, lens = told(), Lens((1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400), 1400)
    slips = [f for f in scan.findings if isinstance(f, SlipFinding)]
    ideas = by_idea([msgspec.structs.replace(f, fen=f.id, refutation=None) for f in slips], lens)

    def value(lead: int) -> float:
        idea = ideas[lead]
        often = sum(f.met[2] * f.chance[2] for f in idea.all)
        return float(idea.lead.worth[2] * min(1.0, often) ** 0.25)

    values = [value(at) for at in range(len(ideas))]
    assert values == sorted(values, reverse=True)
    for idea in ideas:
        assert all(standing(idea.lead, lens) >= standing(other, lens) for other in idea.others)


def test_markdown_begins_with_the_first_of_each_kind_and_keeps_the_rest_closed() -> None:
    text = markdown(Presentation.of(told()), 40)
    glance, _, rest = text.partition("## At a glance")[2].partition("\n## ")
    assert "**Tricks to set**" in glance and "**Pitfalls to avoid**" in glance and "Gambits" not in glance
    assert len(re.findall(r"^\d+\\?\. ", glance.partition("**Tricks to set**")[2].partition("**")[0], re.M)) <= 12
    closed = rest.partition("## Gambits to meet (")[2].partition("\n## ")[0]
    assert closed and "###" not in closed, "one line each, no cards"
    assert "offers material" in closed


def test_pgn_and_cards_hold_one_game_an_idea_and_csv_every_finding(tmp_path: Path) -> None:
    scan = told()
    write_reports(scan, tmp_path)
    rows = list(csv.DictReader(io.StringIO((tmp_path / "findings.csv").read_text(encoding="utf-8-sig"), newline="")))
    assert {row["id"]: row["nature"] for row in rows} == {f.id: f.nature for f in scan.findings}
    games = []
    with (tmp_path / "tricks.pgn").open(encoding="utf-8") as file:
        while (game := chess.pgn.read_game(file)) is not None:
            games.append(game.headers["FindingId"])
    leads = [entry.finding.id for entry in Presentation.of(scan).cards()]
    assert games == leads and len(games) < len(scan.findings)
    assert (tmp_path / "cards.txt").read_text(encoding="utf-8").count("\n") == len(leads)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert 'id="first"' in page and '"closed":true' in page


def test_only_the_natures_asked_for(tmp_path: Path) -> None:
    scan = told()
    shown = Presentation.of(scan, natures=["gambit", "Positional"])
    assert {f.nature for f in shown.scan.findings} == {Nature.GAMBIT, Nature.POSITIONAL}
    with pytest.raises(ReportError, match="no nature"):
        Presentation.of(scan, natures=["blunder"])


def test_the_terminal_counts_what_is_closed() -> None:
    text = tables.terminal_summary(told(), width=100)
    assert re.search(r"^Gambits to meet: \d+\.$", text, re.M) and "Tricks to set" in text
    assert "Positional slips:" in text


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (1 / 880, "once in 880 games"),
        (1 / 12_345, "once in 12,000 games"),
        (0.5, "once in 2 games"),
        (0.9, "in nearly every game"),
        (1e-9, "less than once in a million games"),
        (0.0, ""),
    ],
)
def test_how_often_in_words(share: float, words: str) -> None:
    assert once(share) == words


@pytest.mark.parametrize(
    ("cost", "words"), [(0.2, "a fifth of a point"), (0.26, "a quarter of a point"), (0.5, "half a point")]
)
def test_what_it_costs_in_words(cost: float, words: str) -> None:
    assert part_of_point(cost) == words


def test_who_lets_a_slip_off_stands_on_its_card() -> None:
    """The likeliest of the replies is named, with its share; how many miss it is what is left of those who find it."""
    scan = trap_scan()
    slip = next(f for f in scan.slips if f.kind is SlipKind.TRICK and f.victim == "black")
    after = chess.Board(slip.fen)
    after.push_uci(slip.slip.uci)
    san = after.san(next(iter(after.legal_moves)))
    replies = (
        LetOff(san="a4", chance=tuple(0.05 for _ in scan.levels)),
        LetOff(san=san, chance=tuple(0.31 for _ in scan.levels), line=("O-O",)),
    )
    entry = Presentation.of(scan, level=1400).entry(msgspec.structs.replace(slip, let_off=replies))
    text = entry.row("let_off")
    assert text.startswith(f"{100 * (1 - slip.find[2]):.0f}% let it off, 31% by ") and f"{san}; then" in text


def test_only_what_is_worth_it_and_happens_stands_at_the_head() -> None:
    """By hand: worth 0.4 and once in a hundred thousand games; what the repertoire plays is told whatever it is."""
    made = told()
    findings, good = [], set()
    seen: Counter[str] = Counter()
    for finding in made.findings:
        worth, reach = ((0.9, 0.1), (0.3, 0.1), (0.9, 1e-7))[seen[section_of(finding)] % 3]
        seen[section_of(finding)] += 1
        good |= {finding.id} if (worth, reach) == (0.9, 0.1) else set()
        levels = len(made.levels)
        findings.append(
            msgspec.structs.replace(
                finding, worth=(worth,) * levels, reach=(reach,) * levels, met=(), chance=(0.5,) * levels, idea=""
            )
        )
    scan = msgspec.structs.replace(made, findings=tuple(findings))
    for section in Presentation.of(scan).sections(1000):
        first = [entry.finding.id for entry in section.first]
        if section.kind.key in ("trick", "pitfall"):
            inside = [entry.finding.id for entry in section.entries if entry.finding.id in good]
            assert first == inside[:12] and len(section.entries) > len(inside) > 0
        else:
            assert first == [entry.finding.id for entry in section.entries[:12]]
    glance = markdown(Presentation.of(scan), 1000).partition("## At a glance")[2].partition("\n## ")[0]
    listed = sum(len(s.first) for s in Presentation.of(scan).sections(1000) if not s.kind.closed)
    assert len(re.findall(r"^\d+\\?\. ", glance, re.M)) == listed
