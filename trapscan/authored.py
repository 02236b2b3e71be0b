"""What the author of the files has put into them beside moves: chapters with their sides, marks, comments; looked up by
merged position and move."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import chess

from trapscan.contract import Chapter, RepertoireSide
from trapscan.graph import Graph, turn_of
from trapscan.movetree import Game, Repertoire

SIGNS = {1: "!", 2: "?", 3: "!!", 4: "??", 5: "!?", 6: "?!"}
"""The NAGs that judge a move, as they are written behind it."""

LEAST_SIGNS, AGAINST = 3, 4
"""A side is read off a chapter's shape from so many signs on, if at most one in so many speaks against it."""

CHOICE = 2
"""A choice of moves says so many times what the end of a line says, which is often not thought about."""

MOST_RUNS = 12
"""Where sides change more often from chapter to chapter, they are not told one by one."""

_COMMAND = re.compile(r"\[[%#][^\]]*\]")

Ids = tuple[int, ...]
"""Chapters, by their place in the scan's list, ascending."""


@dataclass(frozen=True, slots=True)
class Authored:
    """The author's part of a repertoire. `held` and `played` tell for each position and each edge of the tree which
    chapters hold it, `comments` and `remarks` what is said there, by chapter; `marks` how moves are judged, by edge: of
    several judgements the first in the files."""

    tree: Graph
    chapters: tuple[Chapter, ...]
    held: Sequence[Ids]
    played: Sequence[Ids]
    comments: Mapping[int, Mapping[int, str]] = field(repr=False)
    remarks: Mapping[int, Mapping[int, str]] = field(repr=False)
    marks: Mapping[int, str] = field(repr=False)

    @classmethod
    def of(cls, read: Repertoire, tree: Graph, sides: Mapping[int, str] | None = None) -> Authored:
        """`sides`: what was said of chapters, by their number from 1; 0: of all others."""
        held: list[set[int]] = [set() for _ in tree.positions]
        played: list[set[int]] = [set() for _ in tree.edges]
        comments: dict[int, dict[int, str]] = {}
        remarks: dict[int, dict[int, str]] = {}
        marks: dict[int, str] = {}
        forest = read.forest
        for number, game in enumerate(read.games):
            for node in game.nodes():
                at, edge = tree.at[node], tree.entered[node]
                if at < 0:
                    continue
                held[at].add(number)
                if edge >= 0:
                    played[edge].add(number)
                    sign = next((SIGNS[nag] for nag in forest.nags.get(node, ()) if nag in SIGNS), "")
                    if sign:
                        marks.setdefault(edge, sign)
                said = spoken(forest.comments.get(node, ""))
                if said:
                    _join(comments.setdefault(at, {}), number, said)
                    if edge >= 0:
                        _join(remarks.setdefault(edge, {}), number, said)
        shared: dict[Ids, Ids] = {}
        by_place = [[shared.setdefault(ids, ids) for ids in map(_ids, places)] for places in (held, played)]
        counts = Counter(number for places in held for number in places)
        chapters = tuple(
            Chapter(title=title, file=game.file, game=game.number, side=RepertoireSide(side), positions=counts[number])
            for number, (game, title, side) in enumerate(
                zip(read.games, _titles(read, tree), _sides(read, tree, sides or {}), strict=True)
            )
        )
        return cls(tree, chapters, by_place[0], by_place[1], comments, remarks, marks)

    @property
    def side(self) -> str:
        """Whose repertoire all of it is."""
        return self.side_of(range(len(self.chapters)))

    def told(self) -> str:
        """The sides in words: "white"; "chapters: white in 1-5, black in 6-10"."""
        runs: list[tuple[str, int, int]] = []
        for number, chapter in enumerate(self.chapters, 1):
            if runs and runs[-1][0] == chapter.side:
                runs[-1] = (runs[-1][0], runs[-1][1], number)
            else:
                runs.append((str(chapter.side), number, number))
        if len(runs) <= 1 or len(runs) > MOST_RUNS:
            return self.side
        parts = [f"{side} in {first}" + (f"-{last}" if last > first else "") for side, first, last in runs]
        return "chapters: " + ", ".join(parts)

    def side_of(self, ids: Iterable[int]) -> str:
        """Whose these chapters are together: "white", "black", "both"."""
        sides = {self.chapters[number].side for number in ids}
        return str(sides.pop()) if len(sides) == 1 else "both"

    def edge(self, epd: str, move: str) -> int | None:
        """The edge, by number, of a move (UCI) that the tree holds."""
        at = self.tree.index.get(epd)
        if at is None:
            return None
        return next((number for number in self.tree.leaving[at] if self.tree.edges[number][1] == move), None)

    def choices_at(self, at: int, ours: chess.Color) -> tuple[int, ...]:
        """The edges (by number) that the author means to be played at a position, told for one side: not those of
        chapters for the other alone, nor those marked as mistakes, unless all are such."""
        other = "black" if ours else "white"
        edges = self.tree.leaving[at]
        own = [number for number in edges if self.side_of(self.played[number]) != other] or edges
        return tuple(number for number in own if number not in self.tree.mistakes) or tuple(own)

    def choices(self, epd: str, ours: chess.Color) -> tuple[str, ...]:
        """The same as moves (UCI), without marked mistakes in any case; none where the tree lacks the position."""
        at = self.tree.index.get(epd)
        edges = self.choices_at(at, ours) if at is not None else ()
        return tuple(self.tree.edges[number][1] for number in edges if number not in self.tree.mistakes)


def spoken(comment: str) -> str:
    """A comment without the commands that programs put into comments."""
    return " ".join(_COMMAND.sub(" ", comment).split())


def _join(said: dict[int, str], number: int, text: str) -> None:
    known = said.get(number, "")
    if text not in known:
        said[number] = f"{known} {text}".strip()


def _ids(numbers: set[int]) -> Ids:
    return tuple(sorted(numbers))


# --- titles ----------------------------------------------------------------------------------------------------------


def _titles(read: Repertoire, tree: Graph) -> Iterator[str]:
    """What each game is called: by its tags, without what all games of the file have in common; by its opening where
    these do not tell it from others; at last by its number."""
    names = ["" for _ in read.games]
    for file in range(len(read.files)):
        inside = [number for number, game in enumerate(read.games) if game.file == file]
        for number, name in zip(inside, _distinct([read.games[number].name for number in inside]), strict=True):
            names[number] = name
    named = Counter(names)
    titles = []
    for game, name in zip(read.games, names, strict=True):
        opening = "" if name and named[name] == 1 else _opening(read, tree, game)
        titles.append(", ".join(filter(None, (name, opening))))
    times = Counter(titles)
    for game, title in zip(read.games, titles, strict=True):
        place = f"game {game.number}"
        yield title if title and times[title] == 1 else f"{title} ({place})" if title else place.capitalize()


def _distinct(names: Sequence[str]) -> list[str]:
    """The names without the parts, between colons, that all of them begin and end with; nothing where all are equal."""
    if len(names) < 2:
        return list(names)
    if len(set(names)) == 1:
        return ["" for _ in names]
    parts = [name.split(": ") for name in names]
    for end in (0, -1):
        while min(map(len, parts)) > 1 and len({part[end] for part in parts}) == 1:
            for part in parts:
                part.pop(end)
    return [": ".join(part) for part in parts]


def _opening(read: Repertoire, tree: Graph, game: Game) -> str:
    """The name of the last position of its main line that has one."""
    name, node = "", game.root
    for child in game.nodes():  # parents come before children, the main move first
        if child == game.root or read.forest.parents[child] == node:
            node = child
            opening = tree.positions[tree.at[node]].opening if tree.at[node] >= 0 else None
            name = opening[1] if opening else name
    return name


# --- sides -----------------------------------------------------------------------------------------------------------


def _sides(read: Repertoire, tree: Graph, said: Mapping[int, str]) -> list[str]:
    """The side of each chapter: as was said, by its tags, by its shape. Those whose shape leaves it open are taken
    together, file by file; then they go with the others of their file, if these agree."""
    sides = [said.get(number, said.get(0, game.side)) for number, game in enumerate(read.games, 1)]
    signs = [Signs.of(read, tree, game) if not side else Signs() for game, side in zip(read.games, sides, strict=True)]
    sides = [side or own.side for side, own in zip(sides, signs, strict=True)]
    for file in range(len(read.files)):
        inside = [number for number, game in enumerate(read.games) if game.file == file]
        still = [number for number in inside if not sides[number]]
        together = sum((signs[number] for number in still), Signs())
        others = {sides[number] for number in inside} - {""}
        side = together.side or (others.pop() if len(others) == 1 and not together.against(*others) else "both")
        for number in still:
            sides[number] = side
    return sides


@dataclass(frozen=True, slots=True)
class Signs:
    """What speaks for either side in the shape of a tree: the other side has more moves than one in a position, and
    lines end with a move of one's own. Moves that the author marks as mistakes are no choices."""

    white: int = 0
    black: int = 0

    def __add__(self, other: Signs) -> Signs:
        return Signs(self.white + other.white, self.black + other.black)

    @property
    def side(self) -> str:
        """The side that they speak for, or ""."""
        total = self.white + self.black
        for side, against in (("white", self.black), ("black", self.white)):
            if total >= LEAST_SIGNS and AGAINST * against <= total:
                return side
        return ""

    def against(self, side: str) -> bool:
        """Whether more of them speak for the other side."""
        return self.black > self.white if side == "white" else self.white > self.black

    @classmethod
    def of(cls, read: Repertoire, tree: Graph, game: Game) -> Signs:
        """Those of a game, down to where the tree was cut."""
        forest = read.forest
        inner = {forest.parents[node] for node in game.moves()}
        edges = {tree.entered[node] for node in game.moves()} - {-1}
        choices = Counter(tree.edges[number][0] for number in edges if number not in tree.mistakes)
        found = Counter[chess.Color]()
        for at, count in choices.items():
            found[not turn_of(tree.positions[at].epd)] += CHOICE * (count - 1)
        for node in game.moves():
            if node not in inner and tree.at[node] >= 0:
                found[not turn_of(tree.positions[tree.at[node]].epd)] += 1
        return cls(found[chess.WHITE], found[chess.BLACK])


__all__ = ["Authored", "Signs", "spoken"]
