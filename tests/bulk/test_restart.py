"""An export whose process was killed, and one whose service stops, are finished by whoever comes next."""

from __future__ import annotations

import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest

from drainledger.rest.export import Order
from drainledger.rest.ndjson import Files
from drainledger.store import exports
from drainledger.store.store import Store
from drainledger.web.fhir.bulk.worker import _MOST_ATTEMPTS
from tests.bulk.exporting import finished, order, place, resources
from tests.convert.journals import ward as ward_records
from tests.web.http import Http, caller, key_for, settings_for, store_of


def ordered(store: Store, key: str, at: datetime) -> exports.ExportRow:
    """A job in the queue, of the caller with this key; nobody was told of it."""
    with store.read("north") as read:
        horizon = read.last_seq()
    order = Order(fhir="R4", level="system", types=("Patient", "Observation"), url="u")
    row = exports.new(
        "north",
        f"key:{key.split('_')[2]}",
        msgspec.msgpack.encode(order),
        horizon=horizon,
        as_of=at,
        now=at,
    )
    assert exports.add(store, row, most=4)
    return row


def filled(http: Http) -> None:
    for record in ward_records():
        assert http.post(record).status_code == 200


def test_a_killed_export_is_begun_again(tmp_path: Path) -> None:
    folder = tmp_path / "exports"
    settings = settings_for(tmp_path, export_dir=folder)
    with caller(settings) as http:
        filled(http)
        assert http.key is not None
        http.app.state.service.exports.close()
        row = ordered(store_of(http.app), http.key, datetime.now(UTC))
        key = http.key
    url = settings.database.get_secret_value()
    command = (sys.executable, "-m", "tests.bulk.dying", url, str(folder))
    died = subprocess.run(command, check=False, capture_output=True, timeout=60)
    assert died.returncode == -signal.SIGKILL, died.stderr.decode()
    left = folder / row.export_id / "1"
    assert any(each.stat().st_size for each in left.iterdir()), "it died in the middle"
    with caller(settings) as http:
        told = finished(http, f"/fhir/R4/bulk/{row.export_id}", key=key)
        assert told.status_code == 200
        found = resources(http, told.json(), key=key)
        assert len(found) == sum(each["count"] for each in told.json()["output"]) > 30
        kept = exports.find(store_of(http.app), "north", row.export_id)
        assert kept is not None
        assert kept.attempts == 2


def test_a_job_that_kills_each_time_is_given_up(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path)) as http:
        assert http.key is not None
        http.app.state.service.exports.close()
        row = ordered(store_of(http.app), http.key, datetime.now(UTC))
        long_ago = datetime.now(UTC) - timedelta(hours=1)
        for _ in range(_MOST_ATTEMPTS):
            assert exports.take(store_of(http.app), "dead", now=datetime.now(UTC), lease_until=long_ago)
        key = http.key
    with caller(settings_for(tmp_path)) as http:
        told = finished(http, f"/fhir/R4/bulk/{row.export_id}", key=key)
    assert (told.status_code, told.json()["resourceType"]) == (500, "OperationOutcome")


def test_a_stop_gives_the_job_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with caller(settings_for(tmp_path)) as http:
        filled(http)
        assert http.key is not None
        jobs = http.app.state.service.exports
        jobs.close()
        row = ordered(store_of(http.app), http.key, datetime.now(UTC))
        taken = jobs._take()
        jobs._do(taken)  # it is told to stop, and looks at that after a batch
        kept = exports.find(store_of(http.app), "north", row.export_id)
        assert kept is not None
        assert (kept.state, kept.attempts) == ("queued", 0)
        assert not any(jobs.folder_of(row.export_id).iterdir())


def test_a_cancelled_job_ends_its_worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with caller(settings_for(tmp_path)) as http:
        filled(http)
        assert http.key is not None
        jobs = http.app.state.service.exports
        jobs.close()
        jobs._stopping.clear()
        row = ordered(store_of(http.app), http.key, datetime.now(UTC))
        put, done = Files.put, list[bool]()

        def cancelled(files: Files, *named: object) -> None:
            if files.done >= 10 and not done:
                done.append(True)
                assert http.call("DELETE", f"/fhir/R4/bulk/{row.export_id}").status_code == 202
            put(files, *named)  # type: ignore[arg-type]  # passed on as they are

        monkeypatch.setattr(Files, "put", cancelled)
        jobs._do(jobs._take())
        assert exports.find(store_of(http.app), "north", row.export_id) is None
        assert not jobs.folder_of(row.export_id).exists()


def test_one_of_a_tenant_is_at_work_at_a_time(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path)) as http:
        http.app.state.service.exports.close()
        store, now = store_of(http.app), datetime.now(UTC)
        key = key_for(http.app)
        first, second = (ordered(store, key, now + timedelta(seconds=each)) for each in (0, 1))
        until = now + timedelta(minutes=1)
        one = exports.take(store, "a", now=now, lease_until=until)
        assert one is not None
        assert one.export_id == first.export_id
        assert exports.take(store, "b", now=now, lease_until=until) is None
        after = until + timedelta(seconds=1)
        other = exports.take(store, "b", now=after, lease_until=after + timedelta(minutes=1))
        assert other is not None
        assert not exports.renew(store, one, lease_until=after), "who was too slow has it no more"
        assert exports.complete(store, other, files=b"", touched=b"", done=0, expires_at=after)
        rest = exports.take(store, "a", now=after, lease_until=after)
        assert rest is not None
        assert rest.export_id == second.export_id


def test_who_was_too_slow_leaves_the_files_of_the_next_alone(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path)) as http:
        assert http.key is not None
        jobs = http.app.state.service.exports
        jobs.close()
        row = ordered(store_of(http.app), http.key, datetime.now(UTC))
        slow = jobs._take()
        later = datetime.now(UTC) + timedelta(hours=1)
        taken = exports.take(
            store_of(http.app), "another", now=later, lease_until=later + timedelta(minutes=1)
        )
        assert taken is not None
        theirs = jobs.folder_of(row.export_id) / str(taken.attempts)
        theirs.mkdir(parents=True)
        jobs._fail(slow)
        assert theirs.is_dir()
        kept = exports.find(store_of(http.app), "north", row.export_id)
        assert kept is not None
        assert (kept.state, kept.worker) == ("running", "another")


def test_an_export_ends_before_the_disk_is_full(tmp_path: Path) -> None:
    """The database may be on the same disk, and readings come in."""
    with caller(settings_for(tmp_path, min_free_bytes=1 << 62)) as http:
        filled(http)
        told = finished(http, place(order(http)))
        assert (told.status_code, told.json()["resourceType"]) == (500, "OperationOutcome")
        assert not any(http.app.state.service.exports.root.iterdir())


def test_exports_go_on_after_a_fault_that_nobody_thought_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with caller(settings_for(tmp_path)) as http:
        jobs, faults = http.app.state.service.exports, [ValueError("nobody thought of it")]
        clean = jobs._clean

        def faulty() -> None:
            if faults:
                raise faults.pop()
            clean()

        monkeypatch.setattr(jobs, "_clean", faulty)
        where = place(order(http))
        assert finished(http, where).status_code == 200
        assert not faults
