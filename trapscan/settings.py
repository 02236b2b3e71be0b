"""One frozen settings object. Presets are TOML files in trapscan/configs; every value can be overridden."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping
from importlib import resources
from pathlib import Path
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from trapscan.errors import SettingsError
from trapscan.levels import LEAST_ELO, MOST_ELO
from trapscan.request import PRESETS
from trapscan.stopping import Noise

Nodes = Annotated[int, Meta(ge=100, le=10_000_000_000)]
Share = Annotated[float, Meta(ge=0.0, le=1.0)]
Rating = Annotated[int, Meta(ge=LEAST_ELO, le=MOST_ELO)]
OptionValue = str | int | bool

RENAMED = {
    "stakes": "budgets",
    "noise_fall": "noise_exponent",
    "side_nodes": "refutation_nodes",
}
"""Settings of an earlier version, and what they are called now; of a row of `budgets`, `clear` is now `sigmas`."""


class Budget(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """For moves whose chance reaches `chance` at some level: nodes after which the move may be called harmless
    (`least`), nodes at which its search ends in any case (`most`), and how many times its noise a loss must be away
    from the threshold to be settled before that (`sigmas`)."""

    chance: Share
    least: Nodes
    most: Nodes
    sigmas: Annotated[float, Meta(ge=0.0, le=10.0)] = 1.0


class Settings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything that decides what a scan finds. Budgets are in engine nodes, losses in objective expected score
    (0 to 1), levels in Elo."""

    budgets: Annotated[tuple[Budget, ...], Meta(min_length=1)] = (
        Budget(chance=0.3, least=16_000, most=160_000, sigmas=1.5),
        Budget(chance=0.1, least=12_000, most=160_000),
        Budget(chance=0.01, least=2_000, most=30_000),
        Budget(chance=0.0, least=2_000, most=4_000),
    )
    """How long the search after a move may take, by how likely the move is; the first that fits holds."""
    noise: Annotated[float, Meta(gt=0.0, le=0.5)] = 0.058
    """Standard error of a loss after 2,000 nodes, in expected score."""
    noise_exponent: Annotated[float, Meta(ge=0.0, le=1.0)] = 0.4
    """It falls with this power of the nodes."""
    best_nodes: Nodes = 120_000
    """Usual budget for the position itself, what the best move is worth: the search ends once its last scores agree,
    between two thirds and four times of it."""
    confirm_nodes: Nodes = 6_000
    """Least nodes behind a slip that is reported."""
    refutation_nodes: Nodes = 3_000
    """Budget for what is asked about a slip once it stands: other moves that punish, the rest of a line."""
    verify_nodes: Annotated[int, Meta(ge=0, le=10_000_000_000)] = 1_000_000
    """Budget, for the position and again for the slip, of a long look at what a report says first or accuses the
    repertoire of; 0: none, and no other answers are tried for the explanations."""
    threshold: Annotated[float, Meta(ge=0.01, le=0.9)] = 0.10
    """A move that loses at least this much is a slip."""
    sound: Annotated[float, Meta(ge=0.0, le=0.2)] = 0.02
    """A move that loses less than this is sound."""
    min_chance: Share = 0.01
    """A slip is reported when its chance reaches this at some level."""
    min_prior: Share = 0.008
    """A move is examined when its chance before the engine looks reaches this at some level."""
    max_candidates: Annotated[int, Meta(ge=1, le=250)] = 24
    """At most this many moves a position are examined, the likeliest first (moves of the repertoire always are)."""
    plies: Annotated[int, Meta(ge=0, le=600)] = 0
    """So many plies of each line are looked at; 0: all."""
    beyond: Annotated[int, Meta(ge=0, le=20)] = 2
    """Plies to go on past the end of each line."""
    beyond_width: Annotated[int, Meta(ge=1, le=10)] = 2
    """Past the end: how many likely moves of the other side are followed at most."""
    beyond_chance: Share = 0.15
    """Past the end: a move of the other side is followed when its chance reaches this at the chosen level."""
    baits: bool = False
    """Whether to look for baits."""
    bait_price: Annotated[float, Meta(ge=0.0, le=0.5)] = 0.03
    """A bait costs at most this at best play, in expected score at the chosen level."""
    bait_margin: Annotated[float, Meta(ge=0.0, le=0.5)] = 0.02
    """A bait brings at least this by the slips it invites, and over the repertoire move, at the chosen level."""
    bait_screened: Annotated[int, Meta(ge=1, le=250)] = 20
    """Of how many nearly sound moves of a position the likely replies are searched."""
    bait_screen_nodes: Nodes = 10_000
    """Budget for each of those replies: what tempts people tempts a shallow search too."""
    bait_verified: Annotated[int, Meta(ge=1, le=50)] = 3
    """How many moves of a position are examined in full; more where they promise much."""
    bait_nodes: Nodes = 3_000_000
    """No further move of a position is examined when its baits have cost so many nodes."""
    level: Rating = 1500
    """The level the report is ranked for."""
    levels: Annotated[tuple[Rating, ...], Meta(min_length=1)] = (1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400)
    """The levels every number is given for."""
    time_control: str = "600+0"
    """The thinking time that chances are for: seconds a side and seconds a move, as in PGN's TimeControl."""
    hash_mb: Annotated[int, Meta(ge=1, le=65536)] = 16
    """The engine's hash table, in MiB, where it has such an option."""
    engine_options: dict[str, OptionValue] = {}
    """UCI options for the engine, by name."""
    shown: Annotated[int, Meta(ge=1)] = 12
    """How many ideas of a section the readable reports show at first; scan.json always holds all findings."""

    def __post_init__(self) -> None:
        chances = [budget.chance for budget in self.budgets]
        if chances != sorted(set(chances), reverse=True) or chances[-1] != 0:
            raise ValueError("the chances of `budgets` must fall, and the last be 0")
        if any(budget.least > budget.most for budget in self.budgets):
            raise ValueError("`least` of `budgets` must not exceed `most`")
        if list(self.levels) != sorted(set(self.levels)):
            raise ValueError("`levels` must rise")
        if not re.fullmatch(r"[0-9]{1,6}[+][0-9]{1,4}", self.time_control) or not self.seconds:
            raise ValueError(
                "`time_control` is SECONDS+INCREMENT, for example 600+0 for ten minutes a side, or 5400+30"
            )

    def budget(self, chance: float) -> Budget:
        """What holds for a move of this chance."""
        return next(budget for budget in self.budgets if chance >= budget.chance)

    @property
    def seconds(self) -> int:
        """Thinking time of a side over 40 moves, in seconds."""
        start, increment = self.time_control.split("+")
        return int(start) + 40 * int(increment)

    def past_the_ends(self) -> Settings:
        """What holds past the ends of lines, where nothing is prepared and few come: half of the nodes."""
        halves = [
            msgspec.structs.replace(each, least=max(100, each.least // 2), most=max(100, each.most // 2))
            for each in self.budgets
        ]
        return msgspec.structs.replace(self, budgets=tuple(halves), best_nodes=max(100, self.best_nodes // 2))

    @property
    def error(self) -> Noise:
        """The engine's noise."""
        return Noise(self.noise, self.noise_exponent)

    def noise_after(self, nodes: int) -> float:
        """Standard error of a loss after this many nodes, in objective expected score."""
        return self.error.after(nodes)

    def public(self) -> dict[str, Any]:
        """The settings as plain values, for scan.json."""
        plain = msgspec.to_builtins(self)
        assert isinstance(plain, dict)
        return plain


# What each setting decides: part of the keys of stored outcomes (job.stage). Every setting stands in one of the sets.

POSITION_SETTINGS = frozenset(
    {
        "budgets",
        "noise",
        "noise_exponent",
        "best_nodes",
        "confirm_nodes",
        "refutation_nodes",
        "threshold",
        "sound",
        "min_chance",
        "min_prior",
        "max_candidates",
        "level",
        "levels",
        "time_control",
        "hash_mb",
        "engine_options",
    }
)
"""What is found in a position."""
BAIT_SETTINGS = frozenset(
    {
        "bait_price",
        "bait_margin",
        "bait_screened",
        "bait_screen_nodes",
        "bait_verified",
        "bait_nodes",
    }
)
"""What is found by the search of a position for baits, beside the above."""
WALK_SETTINGS = frozenset({"plies", "beyond", "beyond_width", "beyond_chance", "baits"})
"""Which positions are looked at."""
VERIFY_SETTINGS = frozenset({"verify_nodes"})
"""How long what is said first is looked at again."""
SHOWN_SETTINGS = frozenset({"shown"})
"""What a report shows of what was found."""

MOST_BYTES = 256 * 1024
"""Of a settings file: the shipped ones have a few KB."""


def load(preset: str = "standard", overrides: Mapping[str, Any] | None = None) -> Settings:
    """The named preset, or the TOML file at the path `preset`, with `overrides` on top.

    Raises SettingsError, in one line, on a name that does not exist, broken TOML, or a value out of range.
    """
    given = dict(overrides or {})
    return build(read_preset(preset) | given, source=preset, given=given)


def read_preset(preset: str) -> dict[str, Any]:
    """The plain values of a preset by name or of a TOML file by path."""
    try:
        return tomllib.loads(_shipped_preset(preset) if preset in PRESETS else _own_preset(preset))
    except FileNotFoundError as exc:
        raise SettingsError(f"no preset or file '{preset}'; presets: {', '.join(PRESETS)}") from exc
    except (OSError, ValueError) as exc:  # ValueError: not UTF-8, not TOML, no possible file name
        raise SettingsError(f"cannot read the settings in '{preset}': {exc}") from exc
    except RecursionError as exc:
        raise SettingsError(f"cannot read the settings in '{preset}': nested too deeply") from exc


def _own_preset(preset: str) -> str:
    with Path(preset).open("rb") as file:
        data = file.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise ValueError(f"larger than {MOST_BYTES // 1024} KiB")
    return data.decode()


def _shipped_preset(name: str) -> str:
    return (resources.files("trapscan") / "configs" / f"{name}.toml").read_text(encoding="utf-8")


def build(values: Mapping[str, Any], *, source: str = "", given: Collection[str] | None = None) -> Settings:
    """A settings object from plain values; unknown names and wrong types or ranges raise SettingsError. `source` is the
    preset that they come from, but for the names that were `given` (None: all)."""
    for old, new in RENAMED.items():
        if old in values:
            raise SettingsError(f"setting `{old}` is called `{new}` now")
    try:
        built = msgspec.convert(dict(values), Settings)
        msgspec.json.encode(built)  # it stands in scan.json
    except UnicodeEncodeError as exc:
        raise SettingsError("settings: a text that is not UTF-8") from exc
    except msgspec.ValidationError as exc:
        raise SettingsError(_said(str(exc), source, given)) from exc
    return built


def _said(text: str, source: str, given: Collection[str] | None) -> str:
    """What a value cannot be, by its name, and where it comes from."""
    what, _, where = text.partition(" - at `$.")
    if "`clear`" in what:
        what += ", which is called `sigmas` now"
    name = where.rstrip("`")
    wanted = f"`{name}`: {what[:1].lower()}{what[1:]}" if name else what
    setting = re.split(r"\W", name)[0]
    if not source or given is None or setting in given:
        return f"setting {wanted}"
    return f"settings in '{source}': {wanted}"
