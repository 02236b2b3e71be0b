"""What every task of a scan shares: an engine that was found and measured, the settings, the store."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import msgspec

from trapscan import engines
from trapscan.engines import EngineSpec, Probe
from trapscan.errors import EngineError, EngineRefusedError
from trapscan.settings import Settings


@dataclass(frozen=True, slots=True)
class Tools:
    """What a worker needs to put questions to an engine. `identity` keys the engine's answers; `store` is None where
    the worker cannot reach it (another machine)."""

    spec: EngineSpec
    probe: Probe
    identity: str
    settings: Settings
    store: Path | None


def tools_of(engine: str | None, chosen: Settings, store: Path) -> Tools:
    """An engine found, measured and ready; EngineError when there is none or it gives no usable verdict."""
    spec = engines.choose(engine)
    probe = engines.probe(spec, options=chosen.engine_options)
    if probe.refused:
        raise EngineRefusedError(probe.refused, engine=spec.name)
    identity = engines.engine_identity(spec, probe, chosen.hash_mb, chosen.engine_options)
    return Tools(spec, probe, identity, chosen, store)


def second_tools(engine: str, chosen: Settings, store: Path) -> Tools:
    """A second engine, found, measured and ready: without the settings' UCI options, which are the first one's."""
    try:
        return tools_of(engine, msgspec.structs.replace(chosen, engine_options={}), store)
    except EngineError as exc:
        raise type(exc)(f"second engine: {exc.message}", engine=exc.engine, epd=exc.epd) from exc


__all__ = ["Tools", "second_tools", "tools_of"]
