"""What decides an engine's answers, as a digest: the key of all that is kept about it."""

from __future__ import annotations

import functools
import hashlib
import os
from collections.abc import Mapping
from pathlib import Path

from trapscan.engines.facts import AVERAGED, NOISE_STRETCH, Probe
from trapscan.engines.spec import EngineSpec, is_file
from trapscan.engines.uci import find_option
from trapscan.settings import OptionValue

DRIVER = 2
"""Version of what the driver makes of an engine's output: part of the identity that stored answers are keyed by. A mend
of what is read, stopped or averaged raises it (tests/engines/test_driver.py tells when)."""


def engine_identity(
    spec: EngineSpec, probe: Probe, hash_mb: int, options: Mapping[str, OptionValue] | None = None
) -> str:
    """Digest (32 hex digits) that keys stored answers: everything that decides what the engine says.

    Its name, the bytes of its program, of scripts and files among its arguments and of files named in options, its
    options and hash size, and how budgets become limits. Paths do not count, only what lies there.
    """
    options = options or {}
    parts = parts_of(spec, options)
    parts += [
        f"driver {DRIVER}",
        probe.name,
        str(hash_mb),
        probe.limit_kind,
        str(probe.clear_hash),
        str(probe.prime),
        str(probe.mate_floor),
        str(probe.watchable),
        str(probe.noise),
    ]
    if not probe.watchable:
        parts += ["mates in two by checks are proved"]
    if probe.noise > 1:
        parts += [f"budgets for the noise, {NOISE_STRETCH} at most, mean of {AVERAGED if probe.averaged else 1}"]
    parts += [_file_digest(str(path)) for path in network_files(spec, probe)]
    parts += [
        f"{digit * 10**power}:{probe.driven_by.go(digit * 10**power)}" for power in range(3, 9) for digit in (1, 2, 5)
    ]
    return digest_of(parts)[:32]


def parts_of(spec: EngineSpec, options: Mapping[str, OptionValue]) -> list[str]:
    """What is known of an engine before it is measured: the bytes of its program and files, its options."""
    parts = []
    if spec.box is not None:
        parts += [spec.box.package, *map(_file_digest, spec.box.files)]
    else:
        base = Path(spec.cwd or ".")
        for word in spec.command:
            path = base / word
            parts.append(_file_digest(str(path)) if is_file(path) else word)
    for name, value in [*spec.options, *sorted(options.items())]:
        parts.append(f"{name}={value}")
        if isinstance(value, str) and value:
            for path in (Path(spec.cwd or ".") / value, Path(spec.command[0]).parent / value):
                if is_file(path):
                    parts.append(_file_digest(str(path)))
                    break
    return parts


def network_files(spec: EngineSpec, probe: Probe) -> list[Path]:
    """Files that the engine's declared defaults name and that lie beside it (networks, books)."""
    option = find_option(probe.options, "EvalFile")
    if option is None or not option.default:
        return []
    places = (Path(spec.cwd or "."), Path(spec.command[0]).parent)
    return [place / option.default for place in places if is_file(place / option.default)][:1]


def digest_of(parts: list[str]) -> str:
    """One digest of all, in hex."""
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


def _file_digest(path: str) -> str:
    try:
        stat = os.stat(path)  # noqa: PTH116
        return _hashed(path, stat.st_size, stat.st_mtime_ns)
    except OSError:
        return f"unreadable {Path(path).name}"


@functools.lru_cache(maxsize=64)
def _hashed(path: str, size: int, changed: int) -> str:
    with open(path, "rb") as file:  # noqa: PTH123
        return hashlib.file_digest(file, "sha256").hexdigest()
