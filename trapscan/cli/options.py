"""The options of a scan on the command line, made from the fields of `trapscan.request.ScanRequest`."""

from __future__ import annotations

import argparse
import re
import tomllib
import types
import typing
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from trapscan.errors import SettingsError
from trapscan.request import Option, ScanRequest, SettingValue, options


def add_options(parser: argparse.ArgumentParser) -> None:
    """What `scan` takes, and `estimate` with it: the same line, one word changed, tells the cost."""
    kinds = typing.get_type_hints(ScanRequest)
    groups: dict[str, argparse._MutuallyExclusiveGroup] = {}
    for name, option in options():
        words = _words(kinds[name])
        if name == "files":
            parser.add_argument(name, help=option.help, metavar=option.metavar, nargs="+", type=Path)
            continue
        if option.either and option.either not in groups:
            groups[option.either] = parser.add_mutually_exclusive_group()
        _add(groups[option.either] if option.either else parser, name, option, words)


def add_option(parser: argparse.ArgumentParser, name: str) -> None:
    """One of them, for another command."""
    _add(parser, name, dict(options())[name], _words(typing.get_type_hints(ScanRequest)[name]))


def _add(to: argparse._ActionsContainer, name: str, option: Option, words: dict[str, Any]) -> None:
    if option.metavar:
        words["metavar"] = option.metavar
    to.add_argument(_spelt(name, option), dest=name, help=option.help, **words)


def request_of(given: argparse.Namespace, **more: Any) -> ScanRequest:
    """The request that these options make; SettingsError where a setting cannot be read or is none."""
    values = {name: getattr(given, name) for name, _ in options()}
    values = {name: value for name, value in values.items() if value is not None}
    return ScanRequest(**{**values, "settings": _settings(values.get("settings", [])), **more})


def _spelt(name: str, option: Option) -> str:
    return "--" + (option.name or name).replace("_", "-")


def _words(kind: Any) -> dict[str, Any]:
    """How argparse reads a value of this type; a field that is not given is None."""
    kinds = [each for each in get_args(kind) if each is not types.NoneType] if _is_union(kind) else [kind]
    (kind,) = kinds if len(kinds) == 1 else (str,)
    if get_origin(kind) is Literal:
        return {"choices": get_args(kind)}
    if kind is bool:
        return {"action": "store_true", "default": None}
    origin = get_origin(kind)
    if origin is Mapping:
        return {"action": "append"}
    if origin is Sequence:
        return {"action": "extend", "nargs": "+", "type": Path}
    return {"type": kind}


def _is_union(kind: Any) -> bool:
    return get_origin(kind) in (types.UnionType, typing.Union)


def _settings(pairs: Sequence[str]) -> dict[str, SettingValue]:
    """`NAME=VALUE` options as plain values; a value that is no TOML is taken as text."""
    from trapscan.settings import Settings

    values: dict[str, SettingValue] = {}
    for pair in pairs:
        name, equals, text = pair.partition("=")
        if not equals or not re.fullmatch(r"\w+", name):
            raise SettingsError(f"--set {pair!r}: write NAME=VALUE, for example --set threshold=0.15")
        if name not in Settings.__struct_fields__:
            raise SettingsError(f"--set {pair!r}: no such setting; they are {', '.join(Settings.__struct_fields__)}")
        try:
            values[name] = tomllib.loads(f"value = {text}")["value"]
        except tomllib.TOMLDecodeError:
            values[name] = text
    return values


__all__ = ["add_option", "add_options", "request_of"]
