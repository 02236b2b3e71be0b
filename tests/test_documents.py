"""The documents hold together: links lead somewhere, scripts that are named exist, the developers' paper stays short.

Links and headings are read by markdown-it-py, an independent CommonMark reader; a heading's anchor is made as the sites
that show repositories make it (common practice, no source): lower case, letters, digits and dashes, a dash for a space.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from markdown_it import MarkdownIt
from markdown_it.token import Token

ROOT = Path(__file__).resolve().parent.parent
PAPERS = ("benchmarks", "changelog", "limitations", "model-card", "security")
DOCUMENTS = ("README.md", "DEVELOPERS.md", *(f"docs/{name}.md" for name in PAPERS))


@cache
def tokens(document: str) -> list[Token]:
    return MarkdownIt("commonmark").enable("table").parse((ROOT / document).read_text(encoding="utf-8"))


def inner(token: Token) -> Iterator[Token]:
    yield token
    for child in token.children or ():
        yield from inner(child)


def headings(document: str) -> list[str]:
    found = tokens(document)
    return [found[i + 1].content for i, token in enumerate(found) if token.type == "heading_open"]


def anchor(heading: str) -> str:
    return re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")


def targets(document: str) -> list[str]:
    every = [part for token in tokens(document) for part in inner(token)]
    found = [part.attrGet("href") or part.attrGet("src") for part in every if part.type in ("link_open", "image")]
    return [str(target) for target in found]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_lead_to_files_and_headings(document: str) -> None:
    for target in (target for target in targets(document) if "://" not in target):
        path, _, mark = target.partition("#")
        file = (ROOT / document).parent / path if path else ROOT / document
        assert file.exists(), target
        if mark:
            assert mark in map(anchor, headings(str(file.resolve().relative_to(ROOT)))), target


@pytest.mark.parametrize("document", DOCUMENTS)
def test_scripts_that_are_named_exist(document: str) -> None:
    text = (ROOT / document).read_text(encoding="utf-8")
    named = set(re.findall(r"scripts/(\w+)", text))
    lab = {file.stem for file in (ROOT / "scripts" / "lab").rglob("*.py")}
    assert set(re.findall(r"scripts/run ([a-z_]+)", text)) <= lab
    assert not {name for name in named if not (ROOT / "scripts" / name).exists()}


def test_every_script_is_in_the_developers_table() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = {name for row in re.findall(r"^\| (`[^|]*) \|", text, re.MULTILINE) for name in re.findall(r"`(\w+)`", row)}
    lab = [file for file in (ROOT / "scripts" / "lab").rglob("*.py") if "__main__" in file.read_text(encoding="utf-8")]
    scripts = {file.name for file in (ROOT / "scripts").iterdir() if file.is_file() and not file.suffix}
    scripts |= {file.stem for file in lab}
    assert len(scripts) > 20 and scripts <= table


def test_every_paper_is_reached_from_the_first_two() -> None:
    linked = {target.partition("#")[0] for document in DOCUMENTS[:2] for target in targets(document)}
    assert {f"docs/{name}.md" for name in PAPERS} <= linked
    assert {file.stem for file in (ROOT / "docs").glob("*.md")} == {*PAPERS, "package"}


def test_the_developers_paper_is_read_in_one_sitting() -> None:
    assert len((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()) <= 300


def test_files_that_the_developers_paper_names_exist() -> None:
    named = set(
        re.findall(
            r"`((?:[\w-]+/)+[\w-]+\.(?:py|md|toml|json|jsonl|pgn))`",
            (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"),
        )
    )
    assert len(named) > 15
    assert not {name for name in named if not any((ROOT / top / name).exists() for top in ("", "trapscan"))}
