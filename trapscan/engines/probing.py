"""The facts about an engine: shipped, kept from before, or measured now."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

import msgspec

from trapscan.engines.facts import PROBE_VERSION, Probe
from trapscan.engines.identity import digest_of, parts_of
from trapscan.engines.measure import measure
from trapscan.engines.shipped import SUNFISH_NPS, shipped
from trapscan.engines.spec import EngineSpec
from trapscan.engines.store import store_folder
from trapscan.settings import OptionValue


def probe(spec: EngineSpec, *, fresh: bool = False, options: Mapping[str, OptionValue] | None = None) -> Probe:
    """The facts about an engine: shipped, from disk if it was measured before, else measured now (a few seconds).

    Kept in the store's folder by the engine's identity: a changed program or network is measured again. `fresh`
    measures in any case. Raises EngineCrashedError or EngineTimeoutError when it cannot even be greeted,
    EngineRefusedError when `options` do not fit; an engine that gives no usable verdict comes back with `refused`.
    """
    if not (options or fresh) and (known := shipped(spec)) is not None:
        return known
    digest = digest_of([*parts_of(spec, options or {}), f"probe {PROBE_VERSION}"])
    path = store_folder() / "probes" / f"{digest[:32]}.json"
    if not fresh:
        with contextlib.suppress(OSError, msgspec.MsgspecError):
            return msgspec.json.decode(path.read_bytes(), type=Probe)
    result = measure(spec, options or {})
    if spec.box is not None and spec.box.small:
        result = msgspec.structs.replace(result, driven_by=msgspec.structs.replace(result.driven_by, pace=SUNFISH_NPS))
    if result.refused:  # not kept: a machine under load, or an engine struck while it was measured, is no fact about it
        return result
    with contextlib.suppress(OSError):  # a folder that cannot be written costs the next run a few seconds
        _write_aside(path, msgspec.json.format(msgspec.json.encode(result, order="sorted")) + b"\n")
    return result


def _write_aside(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".probe-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        os.replace(name, path)  # noqa: PTH105
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(name)  # noqa: PTH108
        raise
