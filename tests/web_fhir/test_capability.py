"""The CapabilityStatement against the service that tells it: each thing that it claims works, and what it leaves out is
refused with an OperationOutcome."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import pytest

from drainledger.fhir.search import parameters_of
from drainledger.fhir.search.extract import compiled
from drainledger.fhir.terminology.searching import PARAMETERS
from tests.convert.journals import drain, reading, start, ward
from tests.reading.posted import level
from tests.web.http import Answered, Http, caller, key_for, settings_for
from tests.web_fhir.posted import FHIR_JSON, bundle, entry
from tests.web_fhir.validity import problems

Json = dict[str, Any]

VERSIONS: Final = ("R4", "R5")
#: What could be asked of types and of the service (R4 and R5 CapabilityStatement, codes of type-restful-interaction).
ON_TYPES: Final = (
    "read",
    "vread",
    "update",
    "patch",
    "delete",
    "history-instance",
    "history-type",
    "create",
    "search-type",
)
ON_SYSTEM: Final = ("transaction", "batch", "search-system", "history-system")
#: Of types that the service has nothing of, some.
OTHERS: Final = (
    "Encounter",
    "Practitioner",
    "Organization",
    "Medication",
    "NamingSystem",
    "OperationDefinition",
)
#: Operations that R4 or Bulk Data define for some type or the system.
OPERATIONS: Final = (
    "apply",
    "closure",
    "conforms",
    "convert",
    "diff",
    "document",
    "everything",
    "expand",
    "export",
    "find-matches",
    "graph",
    "graphql",
    "lastn",
    "lookup",
    "match",
    "merge",
    "meta",
    "meta-add",
    "meta-delete",
    "preferred-id",
    "process-message",
    "questionnaire",
    "snapshot",
    "stats",
    "subset",
    "subsumes",
    "transform",
    "translate",
    "validate",
    "validate-code",
)


@pytest.fixture(scope="module")
def http(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Http]:
    """A ward of which there is something of every type, and a bed in it."""
    with caller(settings_for(tmp_path_factory.mktemp("capability"))) as http:
        falling = [reading(f"f-{hour}", f"0{hour}:00", 900 - 100 * hour, "drn-8") for hour in (7, 8)]
        beds = [*start("drn-8", "col-8", "P-8"), *falling, *start("drn-7", "col-7", "P-1042")]
        for record in [*ward(), *beds, drain("drn-9", "P-9", ward="W3")]:
            assert http.post(record).status_code == 200
        assert http.get("/fhir/R4/metadata").status_code == 200
        assert http.get("/v1/drains").status_code == 200  # something to find in the audit trail
        yield http


def statement(http: Http, version: str) -> Json:
    answered = http.get(f"/fhir/{version}/metadata", key=None)
    assert answered.status_code == 200
    found: Json = json.loads(answered.content)
    return found


def server(http: Http, version: str) -> Json:
    (found,) = [each for each in statement(http, version)["rest"] if each["mode"] == "server"]
    assert isinstance(found, dict)
    return found


def claims(http: Http, version: str) -> list[Json]:
    found: list[Json] = server(http, version)["resource"]
    return found


def said(each: Json) -> set[str]:
    return {one["code"] for one in each.get("interaction", ())}


def instance(http: Http, version: str, each: Json) -> Json:
    """Any resource of the type."""
    how = "_history" if "history-type" in said(each) else ""
    body = json.loads(http.get(f"/fhir/{version}/{each['type']}/{how}".rstrip("/")).content)
    assert body.get("entry"), each["type"]
    resource: Json = body["entry"][0]["resource"]
    return resource


def ask(http: Http, version: str, type_: str, interaction: str, one: Json | None) -> Answered:
    """One call of an interaction; of an instance where there is one."""
    base = f"/fhir/{version}/{type_}"
    id_ = (one or {}).get("id", "nothing")
    number = (one or {}).get("meta", {}).get("versionId", "1")
    match interaction:
        case "read":
            return http.get(f"{base}/{id_}")
        case "vread":
            return http.get(f"{base}/{id_}/_history/{number}")
        case "history-instance":
            return http.get(f"{base}/{id_}/_history")
        case "history-type":
            return http.get(f"{base}/_history")
        case "search-type":
            return http.get(base)
        case "create":
            new = level(40, "07:00", "of-this-test") if type_ == "Observation" else one or {}
            return _send(http, "POST", base, {"resourceType": type_, **new})
        case "update" | "patch":
            return _send(
                http,
                {"update": "PUT", "patch": "PATCH"}[interaction],
                f"{base}/{id_}",
                {"resourceType": type_, **(one or {})},
            )
        case _:
            return http.call("DELETE", f"{base}/{id_}")


def _send(http: Http, method: str, path: str, body: Json) -> Answered:
    return http.call(method, path, content=json.dumps(body), headers=FHIR_JSON)


def is_refused(answered: Answered) -> bool:
    return answered.status_code >= 400 and json.loads(answered.content)["resourceType"] == "OperationOutcome"


# What it is


@pytest.mark.parametrize("version", ["R4", "R5"])
def test_the_statement_is_valid_and_open_to_everybody(
    http: Http, version: Any, conformance_dir: Path
) -> None:
    answered = http.get(f"/fhir/{version}/metadata", key=None)
    assert answered.headers["content-type"].startswith("application/fhir+json")
    assert problems([answered.content], version, conformance_dir) == []
    told = json.loads(answered.content)
    assert told["implementation"]["url"] == f"http://127.0.0.1:8080/fhir/{version}"
    assert told["fhirVersion"] == {"R4": "4.0.1", "R5": "5.0.0"}[version]
    assert "Not a medical device, not an alarm" in told["description"]
    assert is_refused(http.get(f"/fhir/{version}/metadata?mode=terminology"))


@pytest.mark.parametrize("version", VERSIONS)
def test_the_token_endpoint_that_it_names_answers(http: Http, version: str) -> None:
    security = server(http, version)["security"]
    (uris,) = security["extension"]
    (token,) = [each["valueUri"] for each in uris["extension"] if each["url"] == "token"]
    configured = http.get(f"/fhir/{version}/.well-known/smart-configuration", key=None).json()
    assert token == configured["token_endpoint"]
    answered = http.call("POST", token, key=None, data={"grant_type": "nothing"})
    assert answered.json()["error"] == "unsupported_grant_type"


# Interactions


@pytest.mark.parametrize("version", VERSIONS)
def test_each_interaction_works_exactly_where_it_is_claimed(http: Http, version: str) -> None:
    told = {each["type"]: each for each in claims(http, version)}
    assert len(told) > 12
    found = {name: instance(http, version, each) for name, each in told.items()}
    for type_ in (*told, *OTHERS):
        for interaction in ON_TYPES:
            answered = ask(http, version, type_, interaction, found.get(type_))
            is_claimed = type_ in told and interaction in said(told[type_])
            works = answered.status_code < 300
            assert works == is_claimed, (type_, interaction, answered.status_code, answered.text)
            assert works or is_refused(answered), (type_, interaction, answered.text)


@pytest.mark.parametrize("version", VERSIONS)
def test_each_interaction_of_the_system_works_exactly_where_it_is_claimed(http: Http, version: str) -> None:
    base = f"/fhir/{version}"
    one = level(42, "07:30", f"system-{version}")
    calls: dict[str, Callable[[], Answered]] = {
        "transaction": lambda: _send(http, "POST", base, bundle("transaction", entry(one))),
        "batch": lambda: _send(http, "POST", base, bundle("batch", entry(one))),
        "search-system": lambda: http.get(f"{base}?_type=Observation"),
        "history-system": lambda: http.get(f"{base}/_history"),
    }
    assert set(calls) == set(ON_SYSTEM)
    claimed = {each["code"] for each in server(http, version)["interaction"]}
    for name, call in calls.items():
        answered = call()
        assert (answered.status_code < 300) == (name in claimed), (name, answered.text)
        assert answered.status_code < 300 or is_refused(answered)


@pytest.mark.parametrize("version", VERSIONS)
def test_conditional_reads_are_as_claimed(http: Http, version: str) -> None:
    for each in claims(http, version):
        one = instance(http, version, each)
        path = f"/fhir/{version}/{each['type']}/{one['id']}"
        first = http.get(path)
        tag, when = first.headers.get("etag", 'W/"1"'), "Fri, 01 Jan 2100 00:00:00 GMT"
        by_tag = http.get(path, headers={"If-None-Match": tag}).status_code == 304
        by_time = http.get(path, headers={"If-Modified-Since": when}).status_code == 304
        claimed = {
            (False, False): "not-supported",
            (True, False): "not-match",
            (True, True): "full-support",
        }[by_tag, by_time]
        assert each["conditionalRead"] == claimed, each["type"]


@pytest.mark.parametrize("version", VERSIONS)
def test_nothing_is_changed_conditionally_and_creating_is_as_claimed(http: Http, version: str) -> None:
    for each in claims(http, version):
        path = f"/fhir/{version}/{each['type']}"
        assert (each["conditionalUpdate"], each["conditionalDelete"], each["updateCreate"]) == (
            False,
            "not-supported",
            False,
        )
        assert is_refused(_send(http, "PUT", f"{path}?identifier=a|b", {"resourceType": each["type"]}))
        assert is_refused(_send(http, "PUT", f"{path}/mine", {"resourceType": each["type"], "id": "mine"}))
        assert is_refused(http.call("DELETE", f"{path}?identifier=a|b"))
        assert each["readHistory"] == ("vread" in said(each))
        assert each["conditionalCreate"] == (each["type"] == "Observation")
    one = level(44, "08:10", f"once-{version}")
    name = "https://chart.example/readings|once-" + version
    answers = [
        http.call(
            "POST",
            f"/fhir/{version}/Observation",
            content=json.dumps(one),
            headers={**FHIR_JSON, "If-None-Exist": f"identifier={name}"},
        ).status_code
        for _ in range(2)
    ]
    assert answers[0] in (201, 202)
    assert answers[1] in (200, 202)


# Operations


@pytest.mark.parametrize("version", VERSIONS)
def test_each_operation_works_exactly_where_it_is_claimed(http: Http, version: str) -> None:
    rest = server(http, version)
    told = {each["type"]: {one["name"] for one in each.get("operation", ())} for each in rest["resource"]}
    assert {each["name"] for each in rest["operation"]} == {"export", "validate"}
    assert sum(map(len, told.values())) > 6
    found = {each["type"]: instance(http, version, each)["id"] for each in rest["resource"]}
    for code in OPERATIONS:
        for type_ in (*told, *OTHERS):
            claimed = code in told.get(type_, ()) or code == "validate"
            assert _is_there(http, f"/fhir/{version}/{type_}", code, found.get(type_)) == claimed, (
                type_,
                code,
            )
        assert _is_there(http, f"/fhir/{version}", code, None) == (code == "export"), code


def _is_there(http: Http, path: str, code: str, id_: str | None) -> bool:
    """Whether any way to call it leads to work, or to something that it says of its own parameters."""
    begun = {"Prefer": "respond-async"}
    ways = [
        http.get(f"{path}/${code}", headers=begun),
        _send(http, "POST", f"{path}/${code}", {"resourceType": path.rpartition("/")[2]}),
        http.get(f"{path}/{id_ or 'nothing'}/${code}", headers=begun),
    ]
    for answered in ways:
        if answered.status_code >= 300:
            assert is_refused(answered)
        elif "content-location" in answered.headers:
            assert http.call("DELETE", answered.headers["content-location"]).status_code == 202
    return any(answered.status_code not in (404, 405) for answered in ways)


# Search

STRICT: Final = {"Prefer": "handling=strict"}


def whole(version: str, type_: str) -> str:
    """A search for all of a type; each call leaves another AuditEvent: of these the first."""
    narrowed = {"AuditEvent": "_count=500&_id=audit-1,audit-5,audit-30", "Group": "_format=json"}
    return f"/fhir/{version}/{type_}?{narrowed.get(type_, '_count=500')}"


def everything(http: Http, version: str, type_: str) -> list[Json]:
    body = json.loads(http.get(whole(version, type_)).content)
    assert not [each for each in body["link"] if each["relation"] == "next"]
    return [each["resource"] for each in body["entry"]]


def found_by(http: Http, url: str, mode: str = "match") -> set[str]:
    """`Type/id` of what an answer holds in a mode."""
    answered = http.get(url, headers=STRICT)
    assert answered.status_code == 200, (url, answered.text)
    return {
        f"{each['resource']['resourceType']}/{each['resource']['id']}"
        for each in json.loads(answered.content).get("entry", ())
        if each["search"]["mode"] == mode
    }


def values(version: Any, type_: str, name: str, resource: Json) -> list[Any]:
    """What a parameter looks at in a resource."""
    if type_ == "Group":
        return [resource["id"]] if name == "_id" else list(resource["identifier"])
    if type_ in PARAMETERS:
        return list(compiled(PARAMETERS[type_][name].path)(resource))
    return list(parameters_of(version, type_)[name].values(resource))


def asking(name: str, kind: str, value: Any) -> str | None:
    """The parameter that finds a value."""
    text = written(kind, value)
    if text is not None and not (kind == "reference" and "/" not in text):
        return f"{name}={quote(text)}"
    if kind == "reference" and isinstance(value, dict) and "identifier" in value:
        return f"{name}:identifier={quote(value['identifier']['value'])}"
    return None


def written(kind: str, value: Any) -> str | None:
    """A value as a search for it writes it; None for what can't be asked for so."""
    if isinstance(value, dict):
        if "coding" in value:
            return written(kind, value["coding"][0])
        if "concept" in value:
            return written(kind, value["concept"])
        if kind == "reference" and isinstance(value.get("reference"), dict):
            return written(kind, value["reference"])
        for name in ("reference", "end", "start", "value", "code"):
            if name in value:
                return written(kind, value[name])
        return None
    text = str(value).lower() if isinstance(value, bool) else str(value)
    return re.sub(r"([\\,|$])", r"\\\1", text)


@pytest.mark.parametrize("version", VERSIONS)
def test_each_search_parameter_works_exactly_where_it_is_claimed(http: Http, version: Any) -> None:
    told = {
        each["type"]: {one["name"]: one["type"] for one in each.get("searchParam", ())}
        for each in claims(http, version)
    }
    names = {name for known in told.values() for name in known} | {
        "_text",
        "_content",
        "_list",
        "_query",
        "_filter",
    }
    assert sum(map(len, told.values())) > 80
    hits = 0
    for type_, known in told.items():
        every = everything(http, version, type_)
        for name in names:
            if name not in known:
                unknown = http.get(f"{whole(version, type_)}&{name}=x", headers=STRICT)
                assert is_refused(unknown), (type_, name)
                continue
            asked = [
                (one["id"], text)
                for one in every
                for value in values(version, type_, name, one)
                if (text := asking(name, known[name], value)) is not None
            ]
            if asked:
                id_, text = asked[0]
                assert f"{type_}/{id_}" in found_by(http, f"{whole(version, type_)}&{text}"), (type_, text)
                hits += 1
            else:
                without = found_by(http, f"{whole(version, type_)}&{name}:missing=true")
                assert without == {f"{type_}/{one['id']}" for one in every}, (type_, name)
    assert hits > 60


@pytest.mark.parametrize("version", VERSIONS)
def test_what_comes_along_does_exactly_where_it_is_claimed(http: Http, version: Any) -> None:
    told = {each["type"]: each for each in claims(http, version)}
    every = {type_: everything(http, version, type_) for type_ in told}
    there = {f"{type_}/{one['id']}" for type_, listed in every.items() for one in listed}
    names = {name for each in told.values() for name in each.get("searchInclude", ())} - {"*"}
    brought = 0
    for type_, each in told.items():
        begins = whole(version, type_)
        for name in names:
            url = f"{begins}&_include={name}"
            if name in each.get("searchInclude", ()):
                refers = {to for one in every[type_] for to in references(version, name, one)}
                expected = {to for to in refers & there if not to.startswith(f"{type_}/")}
                assert found_by(http, url, "include") == expected, name
                brought += len(expected)
            else:
                assert _nothing_comes(http, url), url
            url = f"{begins}&_revinclude={name}"
            source = name.partition(":")[0]
            if name in each.get("searchRevInclude", ()):
                mine = {f"{type_}/{one['id']}" for one in every[type_]}
                expected = {
                    f"{source}/{one['id']}"
                    for one in every[source]
                    if source != type_ and mine & references(version, name, one)
                }
                found = found_by(http, url, "include")
                assert {to for to in found if to in there or source != "AuditEvent"} == expected, (
                    type_,
                    name,
                )
                brought += len(expected)
            else:
                assert _nothing_comes(http, url), url
    assert brought > 300


def references(version: Any, name: str, resource: Json) -> set[str]:
    """`Type/id` of what a resource refers to by `Type:parameter`."""
    type_, _, parameter = name.partition(":")
    texts = [written("reference", each) or "" for each in values(version, type_, parameter, resource)]
    return {text.partition("/_history")[0] for text in texts}


def _nothing_comes(http: Http, url: str) -> bool:
    answered = http.get(url, headers=STRICT)
    return is_refused(answered) or not found_by(http, url, "include")


def test_who_may_not_read_a_type_is_refused(http: Http) -> None:
    key = key_for(http.app, "records.write")
    for each in claims(http, "R4"):
        if "search-type" in said(each):
            assert is_refused(http.get(f"/fhir/R4/{each['type']}", key=key))
