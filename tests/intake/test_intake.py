"""Records in, versions out: the worked cases over the store, with their histories (DESIGN 4 'Late, corrected')."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drainledger.intake.intake import Closed, Intake
from drainledger.store.store import Store
from drainledger.store.write import Write
from tests.intake.service import Clock, histories, latest, new_intake, running, send, sqlite_url
from tests.journals.raw import (
    Raw,
    collector,
    connected,
    correction,
    drain,
    event,
    level,
    replaced,
    retraction,
)

SETUP = (drain(), collector("col-1"), collector("col-2"), connected("06:00"))


@pytest.fixture
def service(tmp_path: Path) -> Iterator[tuple[Store, Intake]]:
    with running(sqlite_url(tmp_path)) as found:
        yield found


def outputs(store: Store) -> list[str]:
    """Valid interval outputs in order of their ends."""
    found = [
        resource
        for resource in latest(store).values()
        if resource["resourceType"] == "Observation"
        and resource["code"]["coding"][0]["code"] == "interval-output"
        and resource["status"] != "entered-in-error"
    ]
    found.sort(key=lambda each: each["effectivePeriod"]["end"])
    return [str(each["valueQuantity"]["value"]) if "valueQuantity" in each else "?" for each in found]


def statuses(store: Store, code: str) -> dict[str, list[str]]:
    """The histories of the Observations of a code, by the end of their identifier."""
    references = {
        resource["identifier"][0]["value"]: reference
        for reference, resource in latest(store).items()
        if resource["resourceType"] == "Observation" and resource["code"]["coding"][0]["code"] == code
    }
    found = histories(store, list(references.values()))
    return {name.split(".")[1]: found[reference] for name, reference in references.items()}


def test_a_reading_is_answered_with_its_versions(service: tuple[Store, Intake]) -> None:
    store, intake = service
    assert send(intake, *SETUP).accepted == 4
    answer = send(intake, level("07:00", 40))
    (result,) = answer.results
    assert (answer.accepted, result.status) == (1, "accepted")
    codes = {
        written.reference.split(".", 1)[1]: written.version
        for written in result.resources
        if "." in written.reference
    }
    assert codes["interval-output"] == 1
    assert codes["running-total"] == 1
    assert outputs(store) == ["40"]


def test_a_late_level_amends_its_neighbour_and_leaves_the_total(service: tuple[Store, Intake]) -> None:
    """Worked case 8."""
    store, intake = service
    send(intake, *SETUP, level("07:00", 40), level("09:00", 120))
    send(intake, level("08:00", 90))
    assert outputs(store) == ["40", "50", "30"]
    assert statuses(store, "interval-output") == {
        "r-0700": ["final"],
        "r-0800": ["final"],
        "r-0900": ["final", "amended"],
    }
    assert statuses(store, "running-total")["r-0900"] == ["final"]


def test_a_correction_corrects_its_own_and_amends_the_rest(service: tuple[Store, Intake]) -> None:
    """Worked case 9."""
    store, intake = service
    at_eight = level("08:00", 90)
    send(intake, *SETUP, level("07:00", 40), level("09:00", 120), at_eight)
    send(intake, correction(at_eight, "09:10", level={"value": 70, "unit": "mL"}))
    assert outputs(store) == ["40", "30", "50"]
    assert statuses(store, "chamber-level")["r-0800"] == ["final", "corrected"]
    assert statuses(store, "interval-output")["r-0900"] == ["final", "amended"]
    assert statuses(store, "running-total")["r-0800"] == ["final", "amended"]
    assert statuses(store, "running-total")["r-0900"] == ["final"]


def test_a_retraction_enters_in_error_what_it_withdraws(service: tuple[Store, Intake]) -> None:
    """Worked case 10."""
    store, intake = service
    send(intake, *SETUP, level("07:00", 40), level("09:00", 120), level("08:00", 90))
    send(intake, retraction("r-0800", "09:10"))
    assert outputs(store) == ["40", "80"]
    assert statuses(store, "interval-output")["r-0800"] == ["final", "entered-in-error"]
    assert statuses(store, "chamber-level")["r-0800"] == ["final", "entered-in-error"]
    withdrawn = [r for r in latest(store).values() if r.get("status") == "entered-in-error"]
    assert withdrawn
    assert not any("valueQuantity" in resource for resource in withdrawn)


def test_a_total_is_exact_again_when_the_change_is_charted_late(service: tuple[Store, Intake]) -> None:
    """Worked cases 3 and 4."""
    store, intake = service
    send(intake, *SETUP, level("07:00", 300), level("08:00", 120), level("09:00", 150))
    assert outputs(store) == ["300", "?", "30"]
    send(intake, replaced("07:30", "col-2", final=340))
    assert outputs(store) == ["300", "40", "120", "30"]
    assert statuses(store, "interval-output")["r-0800"] == ["final", "amended"]
    issues = [r for r in latest(store).values() if r["resourceType"] == "DetectedIssue"]
    assert [issue["status"] for issue in issues] == ["entered-in-error"]


def test_a_duplicate_changes_nothing_and_a_conflict_is_held(service: tuple[Store, Intake]) -> None:
    store, intake = service
    send(intake, *SETUP, level("07:00", 40))
    before = latest(store)
    answer = send(intake, level("07:00", 40), level("07:00", 50))
    assert [result.status for result in answer.results] == ["duplicate", "held"]
    assert answer.results[1].problems[0].code == "conflict"
    assert latest(store) == before


def test_a_reading_that_waits_is_folded_in(service: tuple[Store, Intake]) -> None:
    store, intake = service
    answer = send(intake, level("07:00", 40))
    assert (answer.waiting, answer.results[0].status) == (1, "waiting")
    send(intake, *SETUP)
    assert outputs(store) == ["40"]


def test_what_a_correction_withdrew_is_not_withdrawn_again(service: tuple[Store, Intake]) -> None:
    """A sample that was a disconnection, and then nothing at all: its volume was withdrawn by the correction."""
    store, intake = service
    drawn = event("sampled", "07:00", volume=25)
    send(intake, *SETUP, drawn)
    send(intake, correction(drawn, "08:00", kind="disconnected", volume=None))
    send(intake, retraction(drawn["id"], "09:00"))
    assert statuses(store, "sample-withdrawn") == {"sampled-0700": ["final", "entered-in-error"]}


def test_a_window_that_stays_amended_gets_no_version_that_says_the_same(
    service: tuple[Store, Intake],
) -> None:
    """A device's level, verified by a correction, not verified by the next, and verified again. What was final is
    amended, not preliminary again; by the last correction nothing changes."""
    store, intake = service
    by_device = level("07:00", 40, observer={"kind": "device", "value": "p-1"})
    later = level("1+12:00", 60)
    send(intake, *SETUP, by_device, later)
    by_nurse = {"kind": "practitioner", "value": "N-88"}
    send(intake, correction(by_device, "1+13:00", id="c-1", observer=by_nurse))
    send(intake, correction(by_device, "1+14:00", id="c-2", observer=by_device["observer"]))
    send(intake, correction(by_device, "1+15:00", id="c-3", observer=by_nurse))
    found = [reference for reference in latest(store) if reference.endswith(".charted-total")]
    told = histories(store, found).values()
    assert [each for each in told if len(each) > 1] == [["preliminary", "final", "amended"]] * 2


def test_a_retraction_may_come_first(service: tuple[Store, Intake]) -> None:
    store, intake = service
    send(intake, *SETUP)
    assert send(intake, retraction("r-0700", "08:00")).waiting == 1
    send(intake, level("07:00", 40))
    send(intake, level("08:00", 60))
    assert outputs(store) == ["60"]


def test_a_retraction_that_waits_is_known_after_a_restart(service: tuple[Store, Intake]) -> None:
    """It is tied to nothing that brings it along when the journal is loaded anew."""
    store, intake = service
    send(intake, *SETUP)
    early = retraction("r-0700", "08:00")
    assert send(intake, early).waiting == 1
    restarted = new_intake(store)
    try:
        assert send(restarted, early).duplicates == 1
        send(restarted, level("07:00", 40), level("08:00", 60))
    finally:
        restarted.close()
    assert outputs(store) == ["60"]


def test_what_is_held_keeps_its_bytes_and_reasons(service: tuple[Store, Intake]) -> None:
    store, intake = service
    bad = b'{"record":"reading","id":"r","drain":"drn-1","at":"2026-03-02T07:00:00","level":{"value":40}}'
    answer = send(intake, bad)
    assert answer.held == 1
    (result,) = answer.results
    assert result.held_id is not None
    with store.read("t") as read:
        row = read.held_one(result.held_id)
    assert row is not None
    assert row.raw == bad
    assert {problem.code for problem in row.problems} == {p.code for p in result.problems}
    assert send(intake, bad).results[0].held_id == result.held_id


def test_a_held_record_is_mended_and_replayed(service: tuple[Store, Intake]) -> None:
    store, intake = service
    send(intake, *SETUP)
    naive = level("07:00", 40) | {"at": "2026-03-02T07:00:00"}
    held_id = send(intake, naive).results[0].held_id
    assert send(intake, naive | {"note": "again"}, replays=held_id).results[0].held_id == held_id
    assert outputs(store) == []
    assert send(intake, level("07:00", 40), replays=held_id).accepted == 1
    assert outputs(store) == ["40"]
    with store.read("t") as read:
        row = read.held_one(held_id or "")
        assert row is not None
        assert row.state == "replayed"
        assert row.replayed_as == read.last_seq()
        assert read.held() == []


def test_another_process_is_caught_up_with(service: tuple[Store, Intake]) -> None:
    store, intake = service
    other = new_intake(store)
    try:
        send(intake, *SETUP, level("07:00", 40))
        send(other, level("08:00", 90))
        send(intake, level("09:00", 120))
        send(other, retraction("r-0800", "10:00"))
        send(intake, level("10:00", 130))
    finally:
        other.close()
    assert outputs(store) == ["40", "80", "10"]


def test_ids_of_two_tenants_do_not_meet(service: tuple[Store, Intake]) -> None:
    store, intake = service
    send(intake, *SETUP, level("07:00", 40))
    send(intake, *SETUP, level("07:00", 90), tenant="u")
    assert outputs(store) == ["40"]


def test_a_closed_intake_takes_no_more(service: tuple[Store, Intake]) -> None:
    _, intake = service
    intake.close()
    with pytest.raises(Closed):
        send(intake, level("07:00", 40))


def test_a_fault_in_a_commit_leaves_nothing_behind(
    service: tuple[Store, Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    store, intake = service
    send(intake, *SETUP)

    def broken(self: Write, rows: object) -> None:
        raise RuntimeError("disk")

    with monkeypatch.context() as patch:
        patch.setattr(Write, "put_versions", broken)
        with pytest.raises(RuntimeError):
            send(intake, level("07:00", 40))
    assert outputs(store) == []
    send(intake, level("08:00", 60))
    assert outputs(store) == ["60"]
    raw: Raw = level("07:00", 40)
    assert send(intake, raw).results[0].status == "accepted"
    assert outputs(store) == ["40", "20"]


def versions(store: Store, type_: str) -> list[int]:
    """The numbers of the latest versions of all resources of a type."""
    return [each["versionId"] for ref, each in latest(store).items() if ref.startswith(f"{type_}/")]


def test_a_patient_with_two_drains_has_one_version(service: tuple[Store, Intake]) -> None:
    """FHIR.md 'meta.versionId': +1 only if content changed. The second drain says nothing new of the patient, nor does
    its retraction."""
    store, intake = service
    send(intake, drain())
    send(intake, drain("drn-2"))
    assert versions(store, "Patient") == [1]
    send(intake, retraction("drn-2", "09:00"))
    assert versions(store, "Patient") == [1]


def test_a_corrected_unit_leaves_its_use_as_it_was(service: tuple[Store, Intake]) -> None:
    store, intake = service
    send(intake, *SETUP)
    before = sorted(versions(store, "DeviceUseStatement"))
    send(intake, correction(collector("col-1"), "08:00", serial="S-2"))
    assert sorted(versions(store, "DeviceUseStatement")) == before
    assert 2 in versions(store, "Device")


NAIVE = level("07:00", 40) | {"at": "2026-03-02T07:00:00"}


def held_rows(store: Store) -> list[str]:
    with store.read("t") as read:
        return [row.state for row in read.held(state=None)]


def test_a_retry_of_what_was_replayed_is_a_duplicate_of_what_it_became(either: tuple[Store, Intake]) -> None:
    """A source that got no answer sends the same bytes again, after somebody mended and replayed them."""
    store, intake = either
    send(intake, *SETUP)
    held_id = send(intake, NAIVE).results[0].held_id
    send(intake, level("07:00", 40, id="mended"), replays=held_id)
    answer = send(intake, NAIVE, level("08:00", 50))
    assert (answer.duplicates, answer.held, answer.accepted) == (1, 0, 1)
    again = answer.results[0]
    assert (again.id, again.record, again.status) == ("mended", "reading", "duplicate")
    assert (again.held_id, again.problems) == (None, ())
    assert held_rows(store) == ["replayed"]
    assert send(intake, NAIVE, source="theatre").held == 1
    restarted = new_intake(store)
    try:
        assert send(restarted, NAIVE).results[0].id == "mended"
    finally:
        restarted.close()


def test_a_retry_of_a_conflict_that_was_replayed_is_a_duplicate(either: tuple[Store, Intake]) -> None:
    store, intake = either
    send(intake, *SETUP, level("07:00", 40))
    other = level("07:00", 50)
    held_id = send(intake, other).results[0].held_id
    send(intake, level("07:00", 50, id="mended"), replays=held_id)
    assert [(r.id, r.status) for r in send(intake, other).results] == [("mended", "duplicate")]
    assert held_rows(store) == ["replayed"]


def test_a_retry_of_what_was_discarded_is_not_held_anew(either: tuple[Store, Intake]) -> None:
    store, intake = either
    first = send(intake, NAIVE).results[0]
    assert first.held_as == "held"
    with store.write("t", datetime(2026, 12, 1, tzinfo=UTC)) as write:
        write.set_held(first.held_id or "", "discarded", reason="a test", by="key:k1")
    again = send(intake, NAIVE).results[0]
    assert (again.status, again.held_id, again.held_as) == ("held", first.held_id, "discarded")
    assert again.problems
    assert held_rows(store) == ["discarded"]


def test_the_future_is_judged_by_the_clock_itself(either: tuple[Store, Intake]) -> None:
    """The last commit may be a little ahead of the clock; what counts as misdated does not move with it."""
    store, _ = either
    now = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
    ahead = new_intake(store, clock=Clock(now + timedelta(minutes=9)))
    behind = new_intake(store, clock=Clock(now))
    try:
        send(ahead, *SETUP)
        answer = send(behind, level("07:09", 40), level("07:15", 50))
    finally:
        ahead.close()
        behind.close()
    assert [result.status for result in answer.results] == ["accepted", "held"]
    with store.read("t") as read:
        receipts = [row.received_at for row in read.rows(0, 10)]
    assert receipts == sorted(receipts)
