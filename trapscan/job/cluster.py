"""A cluster that the user names: joblib's Dask backend, with workers that have proved to be like this machine.

Dask keeps the tasks, gives them to workers and gives those of a lost worker to another; nothing of that is ours. What
is ours: each worker, also one that joins later, must prove its engine (`job.worker_check`) before it is given a
position. A worker that has done so announces a resource of the scan's own, and every task asks for that resource.

Dask moves tasks and results by pickle: who can reach the scheduler can run code on all its workers, and a worker can
run code here. README says how to start one that only the right machines reach.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import uuid
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import CancelledError, Future
from functools import partial
from typing import Any

import distributed
import joblib
from distributed import Client, Worker
from distributed.comm import get_address_host_port
from joblib._dask import DaskDistributedBackend  # the class itself, as one thing it does must be mended

from trapscan.errors import ClusterError, EngineRefusedError
from trapscan.job import worker_check
from trapscan.job.tools import Tools
from trapscan.job.work import close_engines
from trapscan.job.workers import AHEAD, Item, Result, Results, Workers, in_time, is_over

CONNECT_SECONDS = 20.0
"""For the scheduler to answer, and then for the first worker to be there."""
PATIENCE_SECONDS = 600.0
"""How long a scan waits when all workers are lost, before it ends (what is finished is kept)."""
LOOK_SECONDS = 5.0
"""How often it is looked whether the scheduler and a worker are there."""


class Cluster(Workers):
    """Workers of a Dask cluster, by the address of its scheduler ("tcp://host:8786"). Connects when there is something
    to do. `note` is told, in one line each, which workers are refused and why.

    Raises ClusterError when the scheduler cannot be reached or is lost, or no worker is left; EngineRefusedError when
    every worker is refused.
    """

    def __init__(self, address: str, note: Callable[[str], None]) -> None:
        self.address, self._note = address, note
        self.jobs = 1
        self._id = f"trapscan-{uuid.uuid4().hex[:12]}"
        self._client: Client | None = None
        self._proven: dict[str, str] = {}
        """Identity of an engine -> key of its plugin and resource."""

    def each(
        self,
        task: Callable[[Tools, Item], Result],
        tools: Tools,
        items: Sequence[Item],
        *,
        until: float | None = None,
    ) -> Results[Result]:
        """See `Workers`. A worker that is lost on the way costs what it had in hand, which another does again. What has
        been handed out when the time is over is waited for: other machines have clocks of their own."""
        if not items or is_over(until):
            return
        client = self._connected()
        key = self._proven.get(tools.identity) or self._prove(client, tools)
        backend = _Backend(client=client, resources={key: 1})
        ended = threading.Event()
        watch = threading.Thread(target=self._watch, args=(client, key, backend, ended), daemon=True)
        watch.start()
        try:
            with joblib.parallel_config(backend=backend):
                pool = joblib.Parallel(
                    n_jobs=-1, return_as="generator_unordered", batch_size=1, pre_dispatch=AHEAD * self.jobs
                )
                results = pool(joblib.delayed(_on_worker)(key, task, item) for item in in_time(items, until))
            yield from results
        except (distributed.KilledWorker, CancelledError, OSError) as exc:
            raise ClusterError(f"the cluster was lost: {_one_line(exc)}; what is finished is kept") from exc
        finally:
            ended.set()

    def close(self, *, at_once: bool = False) -> None:
        """See `Workers`. The cluster itself stays up; only this scan's engines end."""
        client, self._client = self._client, None
        if client is None:
            return
        with contextlib.suppress(Exception):  # a scheduler that has gone cannot be told
            for key in self._proven.values():
                client.unregister_worker_plugin(key)
        with contextlib.suppress(Exception):
            client.close(timeout=2)
        self._proven = {}

    # --- joining -----------------------------------------------------------------------------------------------------

    def _connected(self) -> Client:
        if self._client is None:
            # The address is read first: a client that fails over it stays open until Python's collector finds it,
            # and closing it there can make the start of the next one wait and fail (seen in distributed 2026.8.0).
            try:
                get_address_host_port(self.address)
                client = distributed.Client(self.address, timeout=CONNECT_SECONDS, set_as_default=False)
            except TypeError as exc:  # how it says that it has no certificates
                raise ClusterError(
                    f"{self.address} wants certificates: name them in Dask's settings (distributed.comm.tls)"
                ) from exc
            except (OSError, ValueError, ImportError) as exc:
                raise ClusterError(f"no scheduler answers at {self.address}: {_one_line(exc)}") from exc
            self._client = client
            try:
                client.wait_for_workers(1, timeout=CONNECT_SECONDS)
            except TimeoutError as exc:
                raise ClusterError(
                    f"no worker has joined {self.address}; start some: dask worker {self.address}"
                ) from exc
        return self._client

    def _prove(self, client: Client, tools: Tools) -> str:
        """Let every worker prove that it has the engine of `tools`; the key of those that do."""
        key = f"{self._id}-{len(self._proven)}"
        try:
            client.register_plugin(_Proof(key, worker_check.claim(tools)), name=key)
        except Exception as exc:
            raise ClusterError(
                f"a worker cannot load trapscan: {_one_line(exc)}; on every machine of the cluster: "
                "pip install 'trapscan[cluster]'"
            ) from exc
        self._proven[tools.identity] = key
        refused = self._refusals(client, key)
        for worker, reason in sorted(refused.items()):
            if reason:
                self._note(f"Worker {worker} is refused: {reason}")
        threads = client.nthreads()
        self.jobs = sum(threads.get(worker, 0) for worker, reason in refused.items() if not reason)
        if not self.jobs:
            reasons = sorted({reason for reason in refused.values() if reason})
            raise EngineRefusedError(f"every worker of the cluster is refused: {'; '.join(reasons)}")
        return key

    @staticmethod
    def _refusals(client: Client, key: str) -> Mapping[str, str]:
        """By worker: why it is refused, or "" where it is not."""
        told = client.run(_reason, key, on_error="return")
        return {worker: reason if isinstance(reason, str) else _one_line(reason) for worker, reason in told.items()}

    def _watch(self, client: Client, key: str, backend: _Backend, ended: threading.Event) -> None:
        """Ends the waiting when there is nothing to wait for: Dask itself would wait for ever."""
        alone = 0.0
        while not ended.wait(LOOK_SECONDS):
            if client.status in ("closing", "closed"):
                backend.fail(ClusterError(f"the scheduler at {self.address} was lost; what is finished is kept"))
                return
            try:
                workers = [worker for worker, reason in self._refusals(client, key).items() if not reason]
            except Exception:  # it is being reconnected, or was closed just now
                workers = []
            if workers:
                alone = 0.0
                continue
            if not alone:
                self._note(f"No worker is left at {self.address}; waiting for one (Ctrl-C keeps what is finished)")
            alone += LOOK_SECONDS
            if alone >= PATIENCE_SECONDS:
                backend.fail(ClusterError(f"no worker came back to {self.address}; what is finished is kept"))
                return


class _Backend(DaskDistributedBackend):  # type: ignore[misc]
    """joblib's own, but for two things, seen with joblib 1.6. Of tasks that Dask gives up (their workers were killed
    again and again) it is not told, as it is told of results only, and waits for them for ever. And with one worker it
    would do the work itself, here."""

    _pending: set[Future[Any]]

    def effective_n_jobs(self, n_jobs: int = 1) -> int:
        return max(2, int(super().effective_n_jobs(n_jobs)))

    def submit(self, func: Any, callback: Callable[[Any], None] | None = None) -> Any:
        if not hasattr(self, "_pending"):
            self._pending = set()
        future = super().submit(func, callback)
        self._pending.add(future)
        future.add_done_callback(self._pending.discard)
        if callback is not None:
            future.add_done_callback(partial(_tell_failure, callback))
        return future

    def fail(self, error: Exception) -> None:
        """End the waiting for all that is in flight."""
        for future in list(getattr(self, "_pending", ())):
            with contextlib.suppress(Exception):  # its result came in this very moment
                future.set_exception(error)
                return


def _tell_failure(callback: Callable[[Any], None], future: Future[Any]) -> None:
    error = future.exception()
    if error is not None:
        callback(error)


def _one_line(exc: object) -> str:
    return " ".join(str(exc).split())[:300] or type(exc).__name__


# --- on a worker -----------------------------------------------------------------------------------------------------

_admitted: dict[str, Tools | str] = {}
"""Key of a scan's engine -> the tools on this machine, or why it is refused."""


class _Proof(distributed.WorkerPlugin):  # type: ignore[misc]
    """Runs on every worker, also on those that join later or were started again."""

    def __init__(self, key: str, claim: worker_check.Claim) -> None:
        self.key, self.claim = key, claim

    async def setup(self, worker: Worker) -> None:
        _admitted[self.key] = found = await asyncio.to_thread(worker_check.admit, self.claim)
        if not isinstance(found, str):
            await worker.set_resources(**{self.key: worker.state.nthreads})
            if worker.status == distributed.Status.running:
                # Dask looks for tasks that wait for a resource when a worker begins to run, which for one that joins
                # late was before this
                worker.status = distributed.Status.paused
                worker.status = distributed.Status.running

    async def teardown(self, worker: Worker) -> None:
        _admitted.pop(self.key, None)
        await worker.set_resources(**{self.key: 0})
        if not _admitted:  # else another scan works here
            await asyncio.to_thread(close_engines)


def _reason(key: str) -> str:
    found = _admitted.get(key, "it has not proved its engine yet")
    return found if isinstance(found, str) else ""


def _on_worker(key: str, task: Callable[[Tools, Item], Result], item: Item) -> Result:
    tools = _admitted[key]
    assert not isinstance(tools, str), "tasks go to admitted workers only"
    return task(tools, item)


__all__ = ["Cluster"]
