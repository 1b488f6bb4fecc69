"""Running a campaign: on Dask, with every row kept as it comes, resumable after any interruption."""

from __future__ import annotations

import logging
import os
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol, Self

from hilseq.coverage.cases import RowFile
from hilseq.coverage.parcel import installed
from hilseq.coverage.visits import Visited, words_for
from hilseq.errors import StandFault, UsageError

if TYPE_CHECKING:
    from distributed import Client

_INSTALL = "install the same there and start it again"
#: Of workers of our own: looking at them a hundred times a second takes time from the visits.
_QUIET = {"distributed.worker.profile.enabled": False, "distributed.admin.tick.interval": "1s"}
#: Ctrl-C is for the command and for the visits under way: its workers are ended by it.
_DEAF = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)"
_LOOPBACK = "127.0.0.1"
#: s until a scheduler must have answered, and must have a worker.
_PATIENCE = 30
#: So many visits may fail to come to their end before the campaign is given up.
_TOO_MANY = 5
_KEPT = "all rows are kept; the same command makes what is missing"


class MakesVisits(Protocol):
    """What all visits of a campaign have in common: sent to a worker once, it makes them there."""

    def visit(self, case: Visited, processor: int | None) -> dict[str, Any]:
        """Make one visit, on this processor alone if one is named; return its row. Raises StandFault."""
        ...


class Workers:
    """The Dask workers that make visits: those of a scheduler, or else of a cluster on this computer.

    A context manager. Nothing is begun before there is a visit to make. `say` receives where they are.
    """

    def __init__(
        self, jobs: int, scheduler: str | None = None, say: Callable[[str], None] = lambda _: None
    ) -> None:
        self._jobs, self._scheduler, self._say = jobs, scheduler, say
        self._begun = ExitStack()
        self._client: Client | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._begun.close()

    def make(self, setup: MakesVisits, cases: Sequence[Visited], rows: RowFile) -> Iterator[dict[str, Any]]:
        """Make the visits that have no row yet; yield each new row as it comes, in whatever order.

        A visit whose worker is lost is made again by another. Raises StandFault, when all others are made, for visits
        that did not come to their end, which no defect may cause; UsageError for a scheduler that cannot be used.
        """
        done = {row["number"] for row in rows.rows}
        open_cases = {case.number: case for case in cases if case.number not in done}
        if not open_cases:
            return iter(())
        if self._client is None:
            self._client = self._connected()
        return self._made(self._client, setup, open_cases, rows)

    def _made(
        self, client: Client, setup: MakesVisits, cases: dict[int, Visited], rows: RowFile
    ) -> Iterator[dict[str, Any]]:
        from distributed import CancelledError, KilledWorker, as_completed

        # A task of its own: what is only sent to a worker is lost with it.
        name = uuid.uuid4().hex
        shared = client.submit(_itself, setup, key=f"campaign-{name}")
        visit = partial(_visit, hilseq=installed(), processors=self._processors())
        waiting = {
            client.submit(visit, shared, case, key=(f"visit-{name}", number)): case
            for number, case in cases.items()
        }
        failed: list[str] = []
        try:
            for future in as_completed(waiting):
                try:
                    row: dict[str, Any] = future.result()
                except KilledWorker:
                    failed.append(f"{words_for(waiting[future])} was lost with each worker that made it")
                except StandFault as error:
                    failed.append(str(error))
                except CancelledError:
                    raise StandFault(f"the scheduler is lost; {_KEPT}") from None
                else:
                    rows.add(row)
                    yield row
                if len(failed) == _TOO_MANY:
                    break
        finally:
            client.cancel([*waiting, shared])
        if failed:
            raise StandFault("\n".join([*failed, _KEPT]))

    def _connected(self) -> Client:
        """Return a client of the scheduler, or of a cluster of our own. Raises UsageError."""
        import dask
        from distributed import Client, LocalCluster

        # What goes wrong is reported here, without a traceback.
        for name in ("distributed", "distributed.client"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        if self._scheduler is None:
            self._begun.enter_context(dask.config.set(_QUIET))
            own = LocalCluster(
                n_workers=self._jobs,
                threads_per_worker=1,
                host=_LOOPBACK,
                dashboard_address=f"{_LOOPBACK}:0",
                memory_limit=None,  # what needs memory are the visits, in processes of their own
                silence_logs=logging.CRITICAL,
                preload=[_DEAF],
            )
            client = self._begun.enter_context(Client(self._begun.enter_context(own)))
        else:
            try:
                client = self._begun.enter_context(Client(self._scheduler, timeout=_PATIENCE))
            except (OSError, ValueError) as error:
                raise UsageError(
                    f"no scheduler answers at {self._scheduler} ({error}); `dask scheduler` starts one"
                ) from None
            try:
                client.wait_for_workers(1, timeout=_PATIENCE)
            except TimeoutError:
                raise UsageError(
                    f"the scheduler has no workers; `dask worker {self._scheduler}` starts some"
                ) from None
            _refuse_others(client)
        known = client.scheduler_info(n_workers=-1)
        page = client.dashboard_link if "dashboard" in known["services"] else "none"
        self._say(f"workers: {len(known['workers'])}; dashboard: {page}")
        return client

    def _processors(self) -> list[int]:
        """Return the processors where each has a worker of our own, none otherwise."""
        found = sorted(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else []
        return found if self._scheduler is None and self._jobs >= len(found) else []


def _visit(setup: MakesVisits, case: Visited, *, hilseq: str, processors: Sequence[int]) -> dict[str, Any]:
    """Make one visit on a worker, which has come when the others had been looked at, or was looked at."""
    from distributed import get_worker

    worker = get_worker()
    if installed() != hilseq:
        raise UsageError(
            f"{worker.address}, which has come since, has {installed()}, not {hilseq}; {_INSTALL}"
        )
    return setup.visit(case, processors[int(worker.name) % len(processors)] if processors else None)


def _refuse_others(client: Client) -> None:
    """Raise UsageError when scheduler and workers have another hilseq than this one, or none."""
    reported: dict[str, object] = client.run(installed, on_error="return")
    try:
        reported["the scheduler"] = client.run_on_scheduler(installed)
    except Exception as error:  # noqa: BLE001 - whatever a stranger's environment makes of it
        reported["the scheduler"] = error
    others = {where: what for where, what in reported.items() if what != installed()}
    if others:
        lines = [
            f"{where} has {what if isinstance(what, str) else f'none ({what})'}"
            for where, what in others.items()
        ]
        raise UsageError(
            "\n".join([f"every worker and the scheduler need this hilseq, {installed()}:", *lines, _INSTALL])
        )


def _itself(setup: MakesVisits) -> MakesVisits:
    return setup


def good_rows(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows of good units."""
    return [row for row in rows if row.get("good")]


def defect_rows(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows of defects, in the order of their cases."""
    return sorted((row for row in rows if not row.get("good")), key=lambda row: int(row["number"]))
