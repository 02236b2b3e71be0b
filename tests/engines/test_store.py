"""The store: what goes in comes out, and every way a file can be bad ends in an answer or a clear error."""

from __future__ import annotations

import pickle
import shutil
import sqlite3
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trapscan.engines import Store, default_store_path
from trapscan.engines.store import STORE_NAME
from trapscan.errors import StoreError
from trapscan.model import Evaluation, Line, Query
from trapscan.score import Score

START = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq -"
ANSWER = Evaluation((Line(Score(True, cp=31), ("e2e4", "e7e5")),), 1000, 9, ("a note",))


def query(number: int) -> Query:
    return Query(START, 1000 + number)


def filled(path: Path, count: int = 2000) -> Store:
    store = Store(path)
    store.put("id", {query(i): ANSWER for i in range(count)})
    return store


scores = st.one_of(
    st.builds(Score, st.booleans(), cp=st.integers(-30_000, 30_000)),
    st.builds(Score, st.booleans(), mate=st.integers(-200, 200)),
)
moves = st.lists(st.sampled_from(["e2e4", "e7e8q", "e1g1", "a1h8"]), max_size=6).map(tuple)
evaluations = st.builds(
    Evaluation,
    st.lists(st.builds(Line, scores, moves), min_size=1, max_size=4).map(tuple),
    st.integers(0, 2**62),
    st.integers(0, 250),
    st.lists(st.text(max_size=20), max_size=2).map(tuple),
)
queries = st.builds(Query, st.text(max_size=80), st.integers(1, 10**10), moves, st.integers(1, 9))


@settings(max_examples=60, deadline=None)
@given(items=st.dictionaries(queries, evaluations, max_size=8))
def test_what_goes_in_comes_out(tmp_path_factory: pytest.TempPathFactory, items: dict[Query, Evaluation]) -> None:
    path = tmp_path_factory.mktemp("store") / "s.sqlite"
    with Store(path) as store:
        store.put("id", items)
    with Store(path) as store:
        assert store.get("id", items) == items
        assert store.get("other", items) == {}


def test_many_at_once_and_overwriting(tmp_path: Path) -> None:
    with filled(tmp_path / "s.sqlite") as store:
        assert len(store.get("id", [query(i) for i in range(3000)])) == 2000
        other = Evaluation((Line(Score(True, mate=-2), ()),), 5)
        store.put("id", [(query(7), other)])
        assert store.get("id", [query(7)]) == {query(7): other}
        assert store.counts() == {"id": 2000}


def test_blobs(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as store:
        store.put_blobs("cluster", {"a": b"\x00\xff", "b": b""})
        store.put_blobs("games", {"a": b"other"})
    with Store(tmp_path / "s.sqlite") as store:
        assert store.get_blobs("cluster", ["a", "b", "c"]) == {"a": b"\x00\xff", "b": b""}
        assert store.get_blobs("games", ["a", "b"]) == {"a": b"other"}


def test_the_default_place_follows_the_variable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRAPSCAN_STORE", str(tmp_path / "sub"))
    assert default_store_path() == tmp_path / "sub" / STORE_NAME
    with Store() as store:
        assert store.path == tmp_path / "sub" / STORE_NAME
    monkeypatch.delenv("TRAPSCAN_STORE")
    assert default_store_path().name == STORE_NAME


def test_a_store_travels_to_another_process_by_its_path(tmp_path: Path) -> None:
    with filled(tmp_path / "s.sqlite", 3) as store, pickle.loads(pickle.dumps(store)) as copy:
        assert copy.get("id", [query(1)]) == {query(1): ANSWER}


WRITER = textwrap.dedent("""
    import sys
    from trapscan.engines import Store
    from trapscan.model import Evaluation, Line, Query
    from trapscan.score import Score
    with Store(sys.argv[1]) as store:
        for i in range(100):
            answer = Evaluation((Line(Score(True, cp=i), ("e2e4",)),), i)
            store.put("id", {Query("p", 1000 + i): answer, Query(sys.argv[2], 1 + i): answer})
""")


def test_several_processes_may_write_at_once(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, str(path), f"w{i}"]) for i in range(3)]
    assert [writer.wait(60) for writer in writers] == [0, 0, 0]
    with Store(path) as store:
        assert store.counts() == {"id": 400}
        assert len(store.get("id", [Query("p", 1000 + i) for i in range(100)])) == 100


@pytest.mark.parametrize("keep", [1, 15, 16, 60, 99, 100, 1000, 4096, 5000, 20_000, 50_000, 100_001])
def test_a_store_cut_off_anywhere_is_set_aside_or_still_right(tmp_path: Path, keep: int) -> None:
    path = tmp_path / STORE_NAME
    filled(path).close()
    data = path.read_bytes()
    assert len(data) > 110_000
    path.write_bytes(data[:keep])
    with Store(path) as store:
        found = store.get("id", [query(i) for i in range(2000)])
        assert all(answer == ANSWER for answer in found.values())
        store.put("id", {query(5000): ANSWER})
        assert store.get("id", [query(5000)]) == {query(5000): ANSWER}
        assert len(found) < 2000
        if keep > 1:  # SQLite takes a single byte for an empty file and begins anew
            assert store.notices and "set aside" in store.notices[0]
            assert list(tmp_path.glob("*.aside-1"))


@pytest.mark.parametrize("at", [200, 4096, 8200, 30_000, 90_000])
def test_overwritten_bytes_never_give_a_wrong_answer(tmp_path: Path, at: int) -> None:
    path = tmp_path / STORE_NAME
    filled(path).close()
    data = bytearray(path.read_bytes())
    data[at : at + 64] = bytes(value ^ 0x5A for value in data[at : at + 64])
    path.write_bytes(bytes(data))
    with Store(path) as store:
        found = store.get("id", [query(i) for i in range(2000)])
        assert all(answer == ANSWER for answer in found.values())


@pytest.mark.parametrize("word", [b"CREATE TABLE engines", b"identity TEXT", b"answers"])
def test_damaged_words_of_the_store_itself(word: bytes, tmp_path: Path) -> None:
    """sqlite3 quotes them in its errors, and fails over what is not UTF-8 in them."""
    path = tmp_path / "mine.sqlite"
    filled(path, 3).close()
    data = path.read_bytes()
    assert word in data
    path.write_bytes(data.replace(word, b"\x84" * len(word)))
    with Store(path) as store:
        store.put("id", {query(1): ANSWER})
        assert store.get("id", [query(1)]) == {query(1): ANSWER}
        assert store.notices and "set aside" in store.notices[0]


def test_a_newer_version_is_left_in_place(tmp_path: Path) -> None:
    path = tmp_path / "mine.sqlite"
    filled(path, 3).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match=r"newer trapscan \(version 99; this one knows 1\).*--store"):
        Store(path)
    assert path.read_bytes() == before and [entry.name for entry in tmp_path.iterdir()] == ["mine.sqlite"]


def test_an_older_version_is_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "mine.sqlite"
    filled(path, 3).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 0")
    db.close()
    with Store(path) as store:
        assert store.get("id", [query(1)]) == {}
        assert store.notices == [
            "the store was version 0 and is set aside as mine.sqlite.aside-1, which may be deleted; a new one is begun"
        ]


@pytest.mark.parametrize("content", [b"%PDF-1.7 not a store at all " * 50, b"1. e4 e5"])
def test_a_file_that_is_not_ours_is_not_touched(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"notes\.txt .*move the file away"):
        Store(path)
    assert path.read_bytes() == content
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]


def test_somebody_elses_database_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "theirs.sqlite"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE theirs (x)")
    db.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="not a store of this trapscan"):
        Store(path)
    assert path.read_bytes() == before


def test_a_folder_or_an_impossible_place_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="--store"):
        Store(tmp_path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="--store"):
        Store(tmp_path / "file" / "s.sqlite")


def test_the_advice_is_about_what_was_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("x")
    monkeypatch.setenv("TRAPSCAN_STORE", str(tmp_path / "file"))
    with pytest.raises(StoreError, match="set TRAPSCAN_STORE"):
        Store()


def test_a_name_that_means_memory_to_sqlite_is_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    filled(Path(":memory:"), 3).close()
    with Store(Path(":memory:")) as store:
        assert len(store.get("id", [query(i) for i in range(3)])) == 3


FULL = textwrap.dedent("""
    import os, sys, subprocess
    from trapscan.engines import Store
    from trapscan.errors import StoreError
    from trapscan.model import Evaluation, Line, Query
    from trapscan.score import Score
    folder = sys.argv[1]
    answer = Evaluation((Line(Score(True, cp=1), ("e2e4",) * 30),), 1)
    with Store(os.path.join(folder, "s.sqlite")) as store:
        store.put("id", {Query("first", 1): answer})
        try:
            for i in range(10000):
                store.put("id", {Query("p", 1000 * i + j): answer for j in range(200)})
        except StoreError as exc:
            print(exc)
    os.remove(os.path.join(folder, "ballast"))
    with Store(os.path.join(folder, "s.sqlite")) as store:
        print(store.get("id", [Query("first", 1)]) == {Query("first", 1): answer}, store.notices)
""")


READ_ONLY = textwrap.dedent("""
    import os, sys
    from trapscan.engines import Store
    from trapscan.errors import StoreError
    try:
        Store(os.path.join(sys.argv[1], "s.sqlite"))
    except StoreError as exc:
        print(exc)
""")


def in_private_mount(mount: str, folder: Path, script: str) -> list[str]:
    """Lines printed by a Python `script` that is given `folder`, with file systems of its own mounted by `mount`."""
    command = ["unshare", "--mount", "--map-root-user", "sh", "-c", f'{mount} && "$2" -c "$3" "$1"', "sh"]
    done = subprocess.run(
        [*command, str(folder), sys.executable, script], capture_output=True, text=True, timeout=60, check=False
    )
    if "unshare" in done.stderr or "mount:" in done.stderr:
        pytest.skip("no private file system may be mounted here")
    assert done.returncode == 0, done.stderr
    return done.stdout.strip().splitlines()


needs_mounts = pytest.mark.skipif(
    not sys.platform.startswith("linux") or not shutil.which("unshare"), reason="mounts a small disk: needs Linux"
)


@needs_mounts
def test_a_full_disk_is_a_clear_error_and_costs_nothing_stored(tmp_path: Path) -> None:
    mount = 'mount -t tmpfs -o size=700k none "$1" && head -c 150000 /dev/zero > "$1/ballast"'
    first, second = in_private_mount(mount, tmp_path, FULL)
    assert "the disk is full" in first and "--store" in first
    assert second == "True []"


@needs_mounts
def test_a_read_only_disk_is_a_clear_error(tmp_path: Path) -> None:
    (line,) = in_private_mount('mount -t tmpfs -o ro none "$1"', tmp_path, READ_ONLY)
    assert "--store" in line and "s.sqlite" in line
