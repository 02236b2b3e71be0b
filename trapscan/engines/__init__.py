"""Finding, measuring and driving UCI engines, and the store of what they said."""

from trapscan.engines.engine import Engine
from trapscan.engines.facts import Probe
from trapscan.engines.identity import engine_identity
from trapscan.engines.probing import probe
from trapscan.engines.spec import EngineSpec, choose, discover
from trapscan.engines.store import Store, default_store_path
from trapscan.engines.table import EngineRow, engines_json, engines_table, survey

__all__ = [
    "Engine",
    "EngineRow",
    "EngineSpec",
    "Probe",
    "Store",
    "choose",
    "default_store_path",
    "discover",
    "engine_identity",
    "engines_json",
    "engines_table",
    "probe",
    "survey",
]
