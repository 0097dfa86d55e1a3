"""Who writes exports: threads of this process, which take jobs from the database as any replica's do."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import stat
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

import msgspec

from drainledger.fhir.fragments import encode
from drainledger.rest.export import Export, Order
from drainledger.rest.ndjson import Files, Lines
from drainledger.rest.rest import Rest
from drainledger.settings import Settings
from drainledger.store import exports
from drainledger.store.errors import StoreFault
from drainledger.store.exports import ExportRow
from drainledger.store.store import Store
from drainledger.web import logs
from drainledger.web.fhir.bulk.job import Outcome
from drainledger.web.fhir.outcome import Issue, outcome
from drainledger.web.fhir.subset import subset

#: A job whose worker says nothing for so long is taken up by another, s.
LEASE: Final = 60.0
#: Without a call nearby, the queue is looked into so often, s.
EVERY: Final = 5.0
_MOST_ATTEMPTS: Final = 3


class _Lost(Exception):
    """The job was cancelled, or another has it."""


class _Stopped(Exception):
    """The service stops: somebody else takes the job up."""


class Exports:
    """The exports of this process. `start` begins to take jobs; `close` leaves what is begun to others."""

    def __init__(
        self,
        store: Store,
        rest: Rest,
        settings: Settings,
        clock: Callable[[], datetime],
        *,
        lease: float = LEASE,
    ) -> None:
        self._store, self._rest, self._settings, self._clock = store, rest, settings, clock
        self._lease = lease
        self._name = secrets.token_hex(8)
        self._stopping, self._woken = threading.Event(), threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        self._thread = threading.Thread(target=self._work, name="exports", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """There is a new job."""
        self._woken.set()

    def close(self) -> None:
        self._stopping.set()
        self._woken.set()
        if self._thread is not None:
            self._thread.join()

    def folder_of(self, export_id: str) -> Path:
        return self.root / export_id

    def discard(self, export_id: str) -> None:
        """Takes away what was written of a job."""
        shutil.rmtree(self.folder_of(export_id), ignore_errors=True)

    @property
    def root(self) -> Path:
        """Where exports are: as set, else beside the SQLite database, else a folder of this user's on this machine."""
        if self._settings.export_dir is not None:
            return self._settings.export_dir
        database = self._store.database
        if database.dialect == "sqlite":
            return Path(f"{database.url.database}.exports")
        return Path(tempfile.gettempdir()) / f"drainledger-exports-{os.getuid()}"

    # Jobs

    def _work(self) -> None:
        while not self._stopping.is_set():
            try:
                self._clean()
                row = self._take()
                if row is not None:
                    self._do(row)
                    continue
            except Exception as error:  # whatever it is: without this thread all exports would wait for ever
                logs.logger().error("exports", **logs.told(error))
            self._woken.wait(EVERY)
            self._woken.clear()

    def _clean(self) -> None:
        for tenant, export_id in exports.expired(self._store, self._clock()):
            self.discard(export_id)
            exports.remove(self._store, tenant, export_id)

    def _take(self) -> ExportRow | None:
        now = self._clock()
        return exports.take(self._store, self._name, now=now, lease_until=now + self._leased)

    @property
    def _leased(self) -> timedelta:
        return timedelta(seconds=self._lease)

    def _do(self, row: ExportRow) -> None:
        began = time.monotonic()
        told: dict[str, Any] = {"tenant": row.tenant, "export": row.export_id}
        if row.attempts > _MOST_ATTEMPTS:
            logs.logger().error("export given up", attempts=row.attempts, **told)
            self._fail(row)
            return
        try:
            done = self._write(row)
            logs.logger().info("export", resources=done, s=round(time.monotonic() - began, 1), **told)
        except _Stopped:
            exports.give_back(self._store, row)
        except _Lost:
            logs.logger().info("export cancelled or taken up by another", **told)
            self._leave(row)
        except StoreFault:
            raise  # the lease runs out, and it is tried again
        except Exception as error:
            logs.logger().error("export failed", **logs.told(error), **told)
            self._fail(row)

    def _fail(self, row: ExportRow) -> None:
        if exports.fail(self._store, row, expires_at=self._clock() + self._kept):
            self.discard(row.export_id)
        else:
            self._leave(row)

    def _leave(self, row: ExportRow) -> None:
        """A job that is this worker's no more: what another writes of it stays."""
        shutil.rmtree(self._attempt(row), ignore_errors=True)
        if exports.find(self._store, row.tenant, row.export_id) is None:
            self.discard(row.export_id)

    @property
    def _kept(self) -> timedelta:
        return timedelta(seconds=self._settings.export_keep_seconds)

    def _attempt(self, row: ExportRow) -> Path:
        return self.folder_of(row.export_id) / str(row.attempts)

    def _write(self, row: ExportRow) -> int:
        order = msgspec.msgpack.decode(row.request, type=Order)
        folder = self._made(row)
        files = Files(folder, self._settings.export_file_resources)
        try:
            with self._held(row) as going:
                self._export(row, order, going).write(files)
                files.close()
        except BaseException:
            files.abandon()
            shutil.rmtree(folder, ignore_errors=True)
            raise
        found = Outcome(folder.name, sorted_files(files, order), _errors(folder, order))
        touched = [files.touched[files.files.index(each)] for each in found.files]
        is_mine = exports.complete(
            self._store,
            row,
            files=msgspec.msgpack.encode(found),
            touched=msgspec.msgpack.encode(touched),
            done=files.done,
            expires_at=self._clock() + self._kept,
        )
        if not is_mine:
            raise _Lost
        return files.done

    def _export(self, row: ExportRow, order: Order, going: Callable[[int, int], None]) -> Export:
        def shown(resource: dict[str, Any]) -> dict[str, Any]:
            return subset(resource, order.fhir, summary=None, elements=order.elements)

        return Export(
            self._store,
            self._rest.sources,
            self._rest.renderer(row.tenant),
            row.tenant,
            order,
            horizon=row.horizon,
            as_of=row.as_of,
            shown=shown,
            going=going,
        )

    def _made(self, row: ExportRow) -> Path:
        """An empty folder of this attempt, in one that is this user's alone."""
        root = self.root
        root.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = root.lstat()
        if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid():
            raise PermissionError(f"{root} is not this user's folder")
        root.chmod(0o700)
        folder = self._attempt(row)
        shutil.rmtree(folder, ignore_errors=True)
        self.folder_of(row.export_id).mkdir(mode=0o700, exist_ok=True)
        folder.mkdir(mode=0o700)
        return folder

    @contextmanager
    def _held(self, row: ExportRow) -> Iterator[Callable[[int, int], None]]:
        """Keeps the lease while the block lasts, from a thread of its own: a long statement must not lose it."""
        done, lost = threading.Event(), threading.Event()
        progress = [0, 0]

        def renewing() -> None:
            while not done.wait(self._lease / 4):
                try:
                    if not exports.renew(
                        self._store,
                        row,
                        lease_until=self._clock() + self._leased,
                        done=progress[1],
                        percent=progress[0],
                    ):
                        lost.set()
                        return
                except StoreFault as error:
                    logs.logger().warning("export's lease", **logs.told(error))

        def going(percent: int, resources: int) -> None:
            progress[:] = [percent, resources]
            if lost.is_set():
                raise _Lost
            if self._stopping.is_set():
                raise _Stopped
            if shutil.disk_usage(self.root).free < self._settings.min_free_bytes:
                # Of the same disk readings may need what is left.
                raise OSError(errno.ENOSPC, "too little space is free for an export")

        thread = threading.Thread(target=renewing, name="export lease", daemon=True)
        thread.start()
        try:
            yield going
        finally:
            done.set()
            thread.join()


def sorted_files(files: Files, order: Order) -> list[Any]:
    """By type as the order names them, and by number."""
    return sorted(files.files, key=lambda each: (each.type, int(each.name.split(".")[1])))


def _errors(folder: Path, order: Order) -> list[Any]:
    """What was passed over, as OperationOutcomes in a file of their own."""
    if not order.told:
        return []
    files = Files(folder, len(order.told))
    for text in order.told:
        issue = Issue(severity="warning", code="not-supported", diagnostics=text)
        files.put("OperationOutcome", Lines(bytearray(encode(outcome([issue])) + b"\n"), 1))
    files.close()
    return files.files
