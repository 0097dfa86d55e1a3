"""Read, vread, histories and conditional read (R4 http.html#read, #vread, #history, #cread)."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from email.utils import format_datetime, parsedate_to_datetime
from pathlib import Path
from typing import Any

import pytest

from drainledger import __version__
from drainledger.fhir import Renderer
from drainledger.fhir.dialect import adapt
from drainledger.intake.loading import Loaded
from drainledger.rest.adapter import release_number
from drainledger.rest.stored import decode
from tests.convert.journals import CASE_1, correction, ml, reading
from tests.harness.models import check_models
from tests.web.http import Http, key_for, store_of
from tests.web_fhir.journals import Emitted, Journals, emitted
from tests.web_fhir.validity import problems

TYPES = ("Device", "DeviceMetric", "DeviceUseStatement", "Observation", "Patient")


def without_what_the_server_says(wire: bytes) -> tuple[bytes, str]:
    """The bytes as emitted, and the version id."""
    alone = re.compile(rb'"meta":\{"versionId":"(\d+)","lastUpdated":"[^"]+"\},')
    beside = re.compile(rb'"versionId":"(\d+)","lastUpdated":"[^"]+",')
    pattern = alone if alone.search(wire) else beside
    match = pattern.search(wire)
    assert match is not None
    return pattern.sub(b"", wire, count=1), match[1].decode()


def test_a_version_reads_as_the_bytes_that_were_emitted(ward: Http) -> None:
    every = list(emitted(ward))
    assert {each.type for each in every} == set(TYPES)
    assert max(each.version for each in every) > 2
    for each in every:
        got = ward.get(f"/fhir/R4/{each.type}/{each.id}/_history/{each.version}")
        assert got.status_code == 200
        assert without_what_the_server_says(got.content) == (each.body, str(each.version))
        assert got.headers["etag"] == f'W/"{each.version}"'


def test_versions_stay_what_they_were_when_more_is_written(empty: Http) -> None:
    empty.post(*CASE_1)
    before = {
        (each.type, each.id, each.version): empty.get(
            f"/fhir/R4/{each.type}/{each.id}/_history/{each.version}"
        ).content
        for each in emitted(empty)
    }
    empty.post(
        correction("c", reading("r-2", "08:00", 90), "10:00", level=ml(80)), reading("r-0", "06:30", 10)
    )
    after = list(emitted(empty))
    assert len(after) > len(before)
    for (type_, id_, version), wire in before.items():
        assert empty.get(f"/fhir/R4/{type_}/{id_}/_history/{version}").content == wire


def latest(http: Http) -> dict[tuple[str, str], Emitted]:
    return {(each.type, each.id): each for each in emitted(http)}


def test_a_read_gives_the_current_version(ward: Http) -> None:
    for (type_, id_), each in latest(ward).items():
        got = ward.get(f"/fhir/R4/{type_}/{id_}")
        assert got.headers["etag"] == f'W/"{each.version}"'
        assert without_what_the_server_says(got.content)[0] == each.body
        resource = json.loads(got.content, parse_float=Decimal)
        updated = datetime.fromisoformat(resource["meta"]["lastUpdated"])
        assert parsedate_to_datetime(got.headers["last-modified"]) == updated.replace(microsecond=0)
        head = ward.call("HEAD", f"/fhir/R4/{type_}/{id_}")
        assert (head.status_code, head.content, head.headers["etag"]) == (200, b"", got.headers["etag"])


@pytest.mark.parametrize(
    ("path", "status", "code"),
    [
        ("/fhir/R4/Observation/nobody", 404, "not-found"),
        ("/fhir/R4/Observation/nobody/_history", 404, "not-found"),
        ("/fhir/R4/Observation/%20%20", 404, "not-found"),
        ("/fhir/R4/Observation/DEVICE", 404, "not-found"),
        ("/fhir/R4/Device/DEVICE/_history/99", 404, "not-found"),
        ("/fhir/R4/Device/DEVICE/_history/0", 404, "not-found"),
        ("/fhir/R4/Device/DEVICE/_history/x", 404, "not-found"),
        ("/fhir/R4/Encounter/1", 404, "not-supported"),
        ("/fhir/R4/DeviceUsage/1", 404, "not-supported"),
        ("/fhir/R5/DeviceUseStatement/1", 404, "not-supported"),
        ("/fhir/R4/Device/DEVICE/_history?_count=x", 400, "value"),
        ("/fhir/R4/Device/DEVICE/_history?_count=1&_count=2", 400, "value"),
        ("/fhir/R4/Device/DEVICE/_history?_since=2026-02-30", 400, "value"),
        ("/fhir/R4/Device/_history?_since=yesterday", 400, "value"),
        ("/fhir/R4/Device/_history?_at=12", 400, "value"),
        ("/fhir/R4/Device/_history?cursor=AAAAAAAAAAAA", 400, "value"),
        ("/fhir/R4/Device/DEVICE?_summary=some", 400, "value"),
        ("/fhir/R4/Device/DEVICE?_summary=count", 400, "value"),
        ("/fhir/R4/Device/DEVICE?_summary=true&_elements=type", 400, "value"),
        ("/fhir/R4/Device/DEVICE?_elements=a%20b", 400, "value"),
        ("/fhir/R4/Device/DEVICE?_pretty=yes", 400, "value"),
        ("/fhir/R4/Device/DEVICE?_format=xml", 406, "not-supported"),
        ("/fhir/R4/nowhere/at/all/there", 404, "not-found"),
        ("/fhir/R3/Patient/1", 404, "not-found"),
    ],
)
def test_what_can_t_be_answered(ward: Http, conformance_dir: Path, path: str, status: int, code: str) -> None:
    device = next(id_ for type_, id_ in latest(ward) if type_ == "Device")
    got = ward.get(path.replace("DEVICE", device))
    assert got.status_code == status, got.text
    assert got.headers["content-type"].startswith("application/fhir+json")
    told = got.json()
    assert [issue["code"] for issue in told["issue"]] == [code]
    assert told["issue"][0]["diagnostics"]
    name = re.search(r"\?(\w+)=", path)
    assert told["issue"][0].get("expression", [])[:1] == ([] if name is None else named_in(told, name[1]))
    assert problems([got.content], "R5" if "/R5/" in path else "R4", conformance_dir) == []


def named_in(told: Any, name: str) -> list[str]:
    """The parameter that is wrong is named: the first, but where two go ill together."""
    named = told["issue"][0]["expression"]
    assert named in ([f"http.{name}"], ["http._elements"])
    return list(named)


def test_conditional_read(ward: Http) -> None:
    (type_, id_), each = next(item for item in latest(ward).items() if item[1].version > 1)
    path = f"/fhir/R4/{type_}/{id_}"
    now = ward.get(path)
    modified = now.headers["last-modified"]
    earlier = format_datetime(parsedate_to_datetime(modified) - timedelta(seconds=1), usegmt=True)
    later = format_datetime(parsedate_to_datetime(modified) + timedelta(days=1), usegmt=True)

    def status(**headers: str) -> int:
        got = ward.get(path, headers={name.replace("_", "-"): value for name, value in headers.items()})
        assert (got.content == b"") == (got.status_code == 304)
        assert got.headers["etag"] == now.headers["etag"]
        return got.status_code

    assert status(If_None_Match=now.headers["etag"]) == 304
    assert status(If_None_Match=f'W/"{each.version - 1}"') == 200
    assert status(If_None_Match=f'W/"{each.version - 1}", W/"{each.version}"') == 304
    assert status(If_Modified_Since=modified) == 304
    assert status(If_Modified_Since=later) == 304
    assert status(If_Modified_Since=earlier) == 200
    assert status(If_Modified_Since="some day") == 200
    assert status(If_None_Match='W/"0"', If_Modified_Since=later) == 200  # RFC 9110, 13.2.2


# Histories


def pages(http: Http, path: str, key: str | None = "") -> Iterator[dict[str, Any]]:
    url: str | None = path
    while url is not None:
        got = http.get(url, key=key)
        assert got.status_code == 200, got.text
        bundle: dict[str, Any] = json.loads(got.content, parse_float=Decimal)
        yield bundle
        url = next((link["url"] for link in bundle["link"] if link["relation"] == "next"), None)


def told(bundles: Iterator[dict[str, Any]]) -> list[tuple[str, int]]:
    return [
        (entry["resource"]["id"], int(entry["resource"]["meta"]["versionId"]))
        for bundle in bundles
        for entry in bundle.get("entry", ())
    ]


def test_a_resource_s_history_is_all_its_versions(ward: Http) -> None:
    (type_, id_), each = max(latest(ward).items(), key=lambda item: item[1].version)
    (whole,) = pages(ward, f"/fhir/R4/{type_}/{id_}/_history")
    assert whole["total"] == each.version
    assert told(iter([whole])) == [(id_, version) for version in range(each.version, 0, -1)]
    for entry in whole["entry"]:
        assert entry["request"] == {"method": "PUT", "url": f"{type_}/{id_}"}
        version = entry["resource"]["meta"]["versionId"]
        assert entry["response"]["etag"] == f'W/"{version}"'
        assert entry["response"]["status"] == ("201" if version == "1" else "200")
        assert entry["response"]["lastModified"] == entry["resource"]["meta"]["lastUpdated"]
    by_two = list(pages(ward, f"/fhir/R4/{type_}/{id_}/_history?_count=2"))
    assert len(by_two) == -(-each.version // 2)
    assert told(iter(by_two)) == told(iter([whole]))


@pytest.mark.parametrize("type_", TYPES)
def test_a_type_s_history_is_all_versions_of_all(ward: Http, type_: str) -> None:
    expected = sorted((each.id, each.version) for each in emitted(ward) if each.type == type_)
    if type_ == "Device":  # and this software's own, which is stored nowhere
        adapter = ward.app.state.service.rest.renderer("north").ids.adapter()
        expected = sorted([*expected, (adapter, release_number(__version__))])
    found = list(pages(ward, f"/fhir/R4/{type_}/_history?_count=7"))
    assert sorted(told(iter(found))) == expected
    assert {bundle["total"] for bundle in found} == {len(expected)}
    times = [
        datetime.fromisoformat(entry["resource"]["meta"]["lastUpdated"])
        for bundle in found
        for entry in bundle["entry"]
    ]
    assert times == sorted(times, reverse=True)


def test_pages_stay_in_step_while_others_write(empty: Http) -> None:
    empty.post(*CASE_1)
    expected = sorted((each.id, each.version) for each in emitted(empty) if each.type == "Observation")
    found = []
    for number, bundle in enumerate(pages(empty, "/fhir/R4/Observation/_history?_count=5")):
        found += told(iter([bundle]))
        empty.post(reading(f"late-{number}", f"06:{10 + number}", 5))
    assert sorted(found) == expected


def test_since_and_at(ward: Http) -> None:
    every = next(pages(ward, "/fhir/R4/Observation/_history?_count=1000"))["entry"]
    at = {
        (entry["resource"]["id"], int(entry["resource"]["meta"]["versionId"])): datetime.fromisoformat(
            entry["resource"]["meta"]["lastUpdated"]
        )
        for entry in every
    }
    middle = sorted(at.values())[len(at) // 2]
    text = middle.isoformat().replace("+", "%2B")
    since = told(pages(ward, f"/fhir/R4/Observation/_history?_since={text}&_count=9"))
    assert sorted(since) == sorted(each for each, moment in at.items() if moment >= middle)
    standing: dict[str, int] = {}
    for (id_, version), moment in at.items():
        if moment <= middle:
            standing[id_] = max(version, standing.get(id_, 0))
    then = told(pages(ward, f"/fhir/R4/Observation/_history?_at={text}&_count=9"))
    during = [each for each, moment in at.items() if middle <= moment < middle + timedelta(microseconds=1)]
    assert sorted(then) == sorted({*standing.items(), *during})
    (id_, last) = max(at, key=lambda each: each[1])
    one = told(pages(ward, f"/fhir/R4/Observation/{id_}/_history?_at={text}"))
    assert one == ([(id_, standing[id_])] if id_ in standing else [])
    assert last > 1


def test_a_day_or_a_month_may_be_asked_for(ward: Http) -> None:
    today = datetime.now(UTC)
    whole = len(told(pages(ward, "/fhir/R4/Device/_history?_count=1000")))
    for since, expected in (
        (f"{today:%Y}", whole),
        (f"{today:%Y-%m}", whole),
        (f"{today + timedelta(days=2):%Y-%m-%d}", 0),
    ):
        found = next(pages(ward, f"/fhir/R4/Device/_history?_since={since}"))
        assert found["total"] == expected


def test_a_cursor_is_of_one_list_and_tenant(ward: Http) -> None:
    first = next(pages(ward, "/fhir/R4/Observation/_history?_count=1"))
    url = next(link["url"] for link in first["link"] if link["relation"] == "next")
    assert ward.get(url).status_code == 200
    assert ward.get(url.replace("Observation", "Device")).status_code == 400
    assert ward.get(url.replace("R4", "R5")).status_code == 400
    assert ward.get(url, key=key_for(ward.app, tenant="south")).status_code == 400


def test_count_alone(ward: Http) -> None:
    for query in ("_count=0", "_summary=count"):
        bundle = next(pages(ward, f"/fhir/R4/Observation/_history?{query}"))
        assert "entry" not in bundle
        assert bundle["total"] > 100


# R5


def test_r5_is_what_the_renderer_of_r5_gives(journals: Journals) -> None:
    """Every resource of twenty generated journals, by the renderer's own R5; statuses and times of issue come from the
    history, and are taken from what was written."""
    compared = 0
    for tenant in journals.keys:
        r4 = {}
        for each in emitted(journals.http, tenant):
            r4[each.type, each.id] = each.body
        r5 = rendered_r5(journals, tenant)
        for (type_, id_), body in r4.items():
            if (type_, id_) not in r5:
                continue
            ours, theirs = adapt(decode(body), "R5"), decode(r5[type_, id_])
            for stated in ("issued", "status"):
                ours.pop(stated, None)
                theirs.pop(stated, None)
            assert ours == theirs, (tenant, type_, id_)
            compared += 1
    assert compared > 1000


def rendered_r5(journals: Journals, tenant: str) -> dict[tuple[str, str], bytes]:
    """All that a fold of the tenant's journal gives, rendered as R5."""
    service = journals.http.app.state.service
    r4 = service.rest.renderer(tenant)
    r5 = Renderer(
        r4._kit.vocabulary.codes,
        base=r4.base,
        tenant=tenant,
        fhir="R5",
        patient_secret=service.settings.patient_secret.get_secret_value().encode(),
    )
    assert r5.ids.adapter() == r4.ids.adapter()
    loaded = Loaded(service.views._rules, r5)
    with service.store.read(tenant) as read:
        drains = [("drain", name) for name in read.names("drain", "", 1000)]
        units = [("collector", name) for name in read.names("collector", "", 1000)]
        differences = loaded.fold_anew(read, [*drains, *units])
    found = {}
    for difference in differences:
        if difference.new is not None:
            resource = difference.new.resource
            kept = {"DeviceUsage": "DeviceUseStatement"}.get(resource.type, resource.type)
            found[kept, resource.id] = resource.body
    return found


def test_every_version_is_valid_r5(journals: Journals) -> None:
    """By fhir.resources, of all types and all twenty journals."""
    rest = journals.http.app.state.service.rest
    checked = 0
    for tenant in journals.keys:
        with store_of(journals.http.app).read(tenant) as read:
            for type_ in rest.sources:
                lines = [
                    stored.wire("R5")
                    for _, stored in rest.repository.type_history(read, type_, read.last_seq())
                ]
                assert check_models(lines, "R5") == [], (tenant, type_)
                checked += len(lines)
    assert checked > 5000


def test_every_answer_is_valid(journals: Journals, conformance_dir: Path) -> None:
    """Histories of all types of some tenants, in both versions."""
    for tenant in list(journals.keys)[:4]:
        key = journals.keys[tenant]
        for version in ("R4", "R5"):
            use = "DeviceUseStatement" if version == "R4" else "DeviceUsage"
            for type_ in (
                "AuditEvent",
                "DetectedIssue",
                "Device",
                "DeviceMetric",
                use,
                "Observation",
                "Patient",
                "Provenance",
            ):
                got = journals.http.get(f"/fhir/{version}/{type_}/_history?_count=60", key=key)
                assert got.status_code == 200
                found = problems([got.content], version, conformance_dir)
                # A drain that is known and not connected yet has no period; a later version of it does.
                found = [each for each in found if "DeviceUseStatement.timing[x]" not in each.path]
                assert found == [], (tenant, type_)
