"""The store on disk: what engines said, and small blobs of other rooms. SQLite; data only, nothing is executed.

Each answer is keyed by the engine's identity and the query, packed with msgpack, and carries a checksum, so that a
damaged row counts as absent. Several processes may use one store at once.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
import threading
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import astuple
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

import msgspec
import platformdirs

from trapscan.errors import StoreError
from trapscan.model import Evaluation, Line, Query
from trapscan.score import Score
from trapscan.stopping import RULES, Iteration

STORE_VARIABLE = "TRAPSCAN_STORE"
STORE_NAME = "evaluations.sqlite"
SCHEMA = 1
_APPLICATION = 0x74726170  # "trap", in SQLite's header
_MAGIC = b"SQLite format 3\0"
_BUSY_SECONDS = 30.0

_TABLES = """
CREATE TABLE engines (id INTEGER PRIMARY KEY, identity TEXT NOT NULL UNIQUE);
CREATE TABLE answers (engine INTEGER NOT NULL, query BLOB NOT NULL, answer BLOB NOT NULL,
                      PRIMARY KEY (engine, query)) WITHOUT ROWID;
CREATE TABLE blobs (kind TEXT NOT NULL, key TEXT NOT NULL, value BLOB NOT NULL, PRIMARY KEY (kind, key)) WITHOUT ROWID;
"""

_PackedLine = tuple[bool, int | None, int | None, str]  # side, cp, mate, moves
_PackedStep = tuple[int, int | None, int | None, str]  # nodes, cp, mate for the side to move, its best move
_Packed = tuple[int, int, tuple[str, ...], tuple[_PackedLine, ...], tuple[_PackedStep, ...]]
# nodes, depth, notes, lines, trail
_encode = msgspec.msgpack.Encoder().encode
_decode = msgspec.msgpack.Decoder(_Packed).decode
_Result = TypeVar("_Result")


def store_folder() -> Path:
    """Where trapscan keeps what it has computed: TRAPSCAN_STORE, or this user's cache folder."""
    given = os.environ.get(STORE_VARIABLE)
    return Path(given).expanduser() if given else Path(platformdirs.user_cache_dir("trapscan", appauthor=False))


def default_store_path() -> Path:
    """The store's file in `store_folder()`."""
    return store_folder() / STORE_NAME


class Store:
    """A store file, created when missing. Use as a context manager.

    A file of ours that is damaged or of an older version is set aside under a new name beside it, and `notices` says
    so; one of a newer version, or that is not ours, is never touched: StoreError. StoreError also when the disk is
    full, the file may not be written, or another process holds it for longer than half a minute.
    """

    def __init__(self, path: str | os.PathLike[str] | None = None) -> None:
        self.path = Path(path) if path is not None else default_store_path()
        self.notices: list[str] = []
        self._lock = threading.RLock()
        self._engines: dict[str, int] = {}
        self._db: sqlite3.Connection | None = None
        with self._lock:
            self._guarded(self._connection)

    # --- answers -----------------------------------------------------------------------------------------------------

    def get(self, identity: str, queries: Iterable[Query]) -> dict[Query, Evaluation]:
        """The stored answers among `queries`."""
        keys = {query_key(query): query for query in queries}

        def read() -> dict[Query, Evaluation]:
            db = self._connection()
            engine = self._engines.get(identity)
            if engine is None:
                row = db.execute("SELECT id FROM engines WHERE identity = ?", (identity,)).fetchone()
                if row is None:
                    return {}
                engine = self._engines[identity] = row[0]
            found: dict[Query, Evaluation] = {}
            for part in _parts(list(keys)):
                marks = ",".join("?" * len(part))
                sql = f"SELECT query, answer FROM answers WHERE engine = ? AND query IN ({marks})"
                for key, blob in db.execute(sql, (engine, *part)):
                    payload = _unsealed(key, blob)
                    if payload is not None:
                        with contextlib.suppress(msgspec.MsgspecError, ValueError):
                            found[keys[key]] = _unpack(payload)
            return found

        return self._guarded(read)

    def put(self, identity: str, items: Mapping[Query, Evaluation] | Iterable[tuple[Query, Evaluation]]) -> None:
        """Keep answers, all of them or, when it fails, none."""
        pairs = list(items.items() if isinstance(items, Mapping) else items)
        rows = []
        for query, evaluation in pairs:
            key = query_key(query)
            rows.append((key, _sealed(key, _pack(evaluation))))

        def write() -> None:
            db = self._connection()
            with _transaction(db):
                db.execute("INSERT OR IGNORE INTO engines (identity) VALUES (?)", (identity,))
                engine = db.execute("SELECT id FROM engines WHERE identity = ?", (identity,)).fetchone()[0]
                db.executemany("INSERT OR REPLACE INTO answers VALUES (?, ?, ?)", [(engine, *row) for row in rows])

        self._guarded(write)

    def counts(self) -> dict[str, int]:
        """Stored answers per engine identity."""

        def read() -> dict[str, int]:
            sql = "SELECT identity, COUNT(*) FROM answers JOIN engines ON engine = id GROUP BY identity"
            return dict(self._connection().execute(sql).fetchall())

        return self._guarded(read)

    # --- blobs -------------------------------------------------------------------------------------------------------

    def get_blobs(self, kind: str, keys: Iterable[str]) -> dict[str, bytes]:
        """The stored values among `keys` of one `kind`."""
        wanted = list(dict.fromkeys(keys))

        def read() -> dict[str, bytes]:
            found = {}
            for part in _parts(wanted):
                marks = ",".join("?" * len(part))
                sql = f"SELECT key, value FROM blobs WHERE kind = ? AND key IN ({marks})"
                for key, blob in self._connection().execute(sql, (kind, *part)):
                    payload = _unsealed(key.encode(), blob)
                    if payload is not None:
                        found[key] = payload
            return found

        return self._guarded(read)

    def put_blobs(self, kind: str, items: Mapping[str, bytes]) -> None:
        """Keep values, all of them or none."""
        rows = [(kind, key, _sealed(key.encode(), value)) for key, value in items.items()]

        def write() -> None:
            db = self._connection()
            with _transaction(db):
                db.executemany("INSERT OR REPLACE INTO blobs VALUES (?, ?, ?)", rows)

        self._guarded(write)

    # --- the file ----------------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Close the file; a later call opens it again."""
        with self._lock:
            self._engines.clear()
            if self._db is not None:
                db, self._db = self._db, None
                with contextlib.suppress(sqlite3.Error):
                    db.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __getstate__(self) -> dict[str, Any]:
        return {"path": self.path}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__init__(state["path"])  # type: ignore[misc]

    def _connection(self) -> sqlite3.Connection:
        if self._db is not None:
            return self._db
        self.path.parent.mkdir(parents=True, exist_ok=True)
        # absolute, or ":memory:" would be no file
        db = sqlite3.connect(self.path.absolute(), timeout=_BUSY_SECONDS, isolation_level=None, check_same_thread=False)
        try:
            db.execute("PRAGMA synchronous = NORMAL")
            application = db.execute("PRAGMA application_id").fetchone()[0]
            version = db.execute("PRAGMA user_version").fetchone()[0]
            if (application, version) != (_APPLICATION, SCHEMA):
                with _transaction(db):  # a second process may have come first: look again under the lock
                    application = db.execute("PRAGMA application_id").fetchone()[0]
                    version = db.execute("PRAGMA user_version").fetchone()[0]
                    empty = db.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()[0] == 0
                    if application == 0 and version == 0 and empty:
                        for statement in _TABLES.split(";"):
                            db.execute(statement)
                        db.execute(f"PRAGMA application_id = {_APPLICATION}")
                        db.execute(f"PRAGMA user_version = {SCHEMA}")
                    elif (application, version) != (_APPLICATION, SCHEMA):
                        if application != _APPLICATION:
                            raise _OtherVersionError("a foreign file")
                        raise (_NewerVersionError if version > SCHEMA else _OtherVersionError)(f"version {version}")
            db.execute("PRAGMA journal_mode = WAL")
        except BaseException:
            db.close()
            raise
        self._db = db
        return db

    def _guarded(self, work: Callable[[], _Result]) -> _Result:
        """Do `work`; a damaged store of ours is set aside and the work done once more on an empty one."""
        with self._lock:
            try:
                return work()
            except _TROUBLE as exc:
                self.close()
                if not self._set_aside(exc):
                    raise self._error(exc) from exc
            try:
                return work()
            except _TROUBLE as exc:
                self.close()
                raise self._error(exc) from exc

    def _set_aside(self, exc: Exception) -> bool:
        damaged = isinstance(exc, sqlite3.DatabaseError) and not isinstance(
            exc, (sqlite3.OperationalError, sqlite3.ProgrammingError, sqlite3.IntegrityError)
        )
        damaged |= isinstance(exc, UnicodeDecodeError)
        # A store whose end is missing shows in either of two error classes.
        damaged |= isinstance(exc, sqlite3.OperationalError) and any(
            sign in str(exc)
            for sign in ("malformed", "no such table", "no such column", "no column named", "not a database", "decode")
        )
        if not damaged and not isinstance(exc, _OtherVersionError):
            return False
        if isinstance(exc, _NewerVersionError):
            return False
        if not _is_ours(self.path):
            return False
        for number in range(1, 1000):
            aside = self.path.with_name(f"{self.path.name}.aside-{number}")
            if aside.exists():
                continue
            try:
                self.path.rename(aside)
                for suffix in ("-wal", "-shm", "-journal"):
                    extra = self.path.with_name(self.path.name + suffix)
                    if extra.exists():
                        extra.rename(aside.with_name(aside.name + suffix))
            except OSError:
                return False
            reason = str(exc) if isinstance(exc, _OtherVersionError) else "damaged"
            self.notices.append(
                f"the store was {reason} and is set aside as {aside.name}, which may be deleted; a new one is begun"
            )
            return True
        return False

    def _error(self, exc: Exception) -> StoreError:
        text = str(exc)
        named = self.path != default_store_path()  # with --store, which stands above the variable
        other = "name another file with --store" if named else f"set {STORE_VARIABLE} to another folder"
        if isinstance(exc, _NewerVersionError):
            what = f"was made by a newer trapscan ({text}; this one knows {SCHEMA}): use that one, or {other}"
        elif isinstance(exc, _OtherVersionError):
            what = f"is {text}, not a store of this trapscan; give another path or move the file away"
        elif "full" in text:
            what = f"cannot grow: the disk is full; free space or {other}, then run again"
        elif "locked" in text or "busy" in text:
            what = "is held by another process for too long; end that one or wait, then run again"
        elif "readonly" in text or "unable to open" in text or isinstance(exc, PermissionError):
            what = f"cannot be opened for writing ({text}); {other}"
        elif isinstance(exc, OSError):
            what = f"cannot be used ({exc.strerror or text}); {other}"
        else:
            what = f"cannot be used ({text}); move the file away and run again"
        return StoreError(f"the store {self.path.name} {what}")


class _OtherVersionError(Exception):
    """The file is a database, but not one of this version."""


_TROUBLE = (sqlite3.Error, OSError, _OtherVersionError, UnicodeDecodeError)
"""What a file may be answered with; the last by sqlite3 itself, over its own message, where it quotes damaged text."""


class _NewerVersionError(_OtherVersionError):
    """A newer trapscan made it: it holds what this one does not know, and is left alone."""


def query_key(query: Query) -> bytes:
    """16 bytes that stand for a query."""
    until = () if query.until is None else (*astuple(query.until), *RULES)
    text = msgspec.json.encode((query.epd, query.budget, query.moves, query.lines, *until))
    return hashlib.blake2b(text, digest_size=16).digest()


def _pack(evaluation: Evaluation) -> bytes:
    lines = [(line.score.side, line.score.cp, line.score.mate, " ".join(line.pv)) for line in evaluation.lines]
    trail = [(nodes, score.cp, score.mate, reply) for nodes, score, reply in evaluation.trail]
    return _encode((evaluation.nodes, evaluation.depth, evaluation.notes, lines, trail))


def _unpack(payload: bytes) -> Evaluation:
    nodes, depth, notes, lines, trail = _decode(payload)
    side = bool(lines) and lines[0][0]
    return Evaluation(
        tuple(Line(Score(side, cp=cp, mate=mate), tuple(pv.split())) for side, cp, mate, pv in lines),
        nodes,
        depth,
        notes,
        tuple(Iteration(nodes, Score(side, cp=cp, mate=mate), reply) for nodes, cp, mate, reply in trail),
    )


def _sealed(key: bytes, payload: bytes) -> bytes:
    return zlib.crc32(payload, zlib.crc32(key)).to_bytes(4, "big") + payload


def _unsealed(key: bytes, blob: bytes) -> bytes | None:
    payload = blob[4:]
    return payload if blob[:4] == zlib.crc32(payload, zlib.crc32(key)).to_bytes(4, "big") else None


def _parts(keys: Sequence[_Result], size: int = 500) -> Iterator[Sequence[_Result]]:
    for start in range(0, len(keys), size):
        yield keys[start : start + size]


@contextlib.contextmanager
def _transaction(db: sqlite3.Connection) -> Iterator[None]:
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            db.execute("ROLLBACK")
        raise


def _is_ours(path: Path) -> bool:
    """Whether trapscan made the file: by SQLite's application id, or by our file name; a stump of a header counts."""
    try:
        with path.open("rb") as file:
            head = file.read(100)
    except OSError:
        return False
    if path.name == STORE_NAME:
        return True
    if len(head) >= 72:
        return head[68:72] == _APPLICATION.to_bytes(4, "big")
    return _MAGIC.startswith(head[:16]) and len(head) > 0
