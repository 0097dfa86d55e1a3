"""Wrong drains, collectors, corrections and retractions."""

from __future__ import annotations

from typing import Final

from tests.validation.cases.case import Case
from tests.validation.samples import (
    GONE,
    collector,
    correction,
    drain,
    event,
    reading,
    retraction,
)

DRAINS: Final = [
    Case(
        "drain without a patient", drain(patient=GONE), "missing-field", "/patient", "The patient identifier"
    ),
    Case(
        "patient without a system",
        drain(patient={"value": "P-1042"}),
        "missing-field",
        "/patient/system",
        "The system of the patient identifier",
    ),
    Case("patient is text", drain(patient="P-1042"), "wrong-type", "/patient", "should be an object"),
    Case("drain without a zone", drain(time_zone=GONE), "missing-field", "/time_zone", "The time zone"),
    Case(
        "unknown zone",
        drain(time_zone="Europe/Lisboa"),
        "unknown-zone",
        "/time_zone",
        'closest is "Europe/Lisbon"',
    ),
    Case(
        "a path for a zone",
        drain(time_zone="../../etc/passwd"),
        "unknown-zone",
        "/time_zone",
        "zone of the ward",
    ),
    Case("a folder for a zone", drain(time_zone="Europe"), "unknown-zone", "/time_zone", "zone of the ward"),
    Case(
        "the machine's own zone",
        drain(time_zone="localtime"),
        "unknown-zone",
        "/time_zone",
        "zone of the ward",
    ),
    *(
        Case(
            f"zone {zone}",
            drain(time_zone=zone),
            "unknown-zone",
            "/time_zone",
            "database. Send the zone of the ward",
        )
        for zone in ("Localtime", "local-time", "factory", "posixrule", "right/Europe/Lisbon", "posix/UTC")
    ),
    Case("zone is a number", drain(time_zone=1), "wrong-type", "/time_zone", "the name of a time zone"),
    Case("blank zone", drain(time_zone=" "), "empty-text", "/time_zone", "The time zone is empty"),
    Case("unknown side", drain(side="lft"), "unknown-word", "/side", 'closest is "left"'),
    Case("interval in words", drain(reads_every="hourly"), "bad-duration", "/reads_every", "PT1H (one hour)"),
    Case("interval of a month", drain(reads_every="P1M"), "bad-duration", "/reads_every", "no fixed length"),
    Case("interval of nothing", drain(reads_every="PT0S"), "bad-duration", "/reads_every", "above zero"),
    Case("interval is a number", drain(reads_every=60), "wrong-type", "/reads_every", "a length of time"),
    Case("joins one", drain(joins=["drn-1"]), "bad-joins", "/joins", "at least two drains"),
    Case("joins one twice", drain(joins=["drn-1", "drn-1"]), "bad-joins", "/joins", "each once"),
    Case("joins itself", drain(joins=["drn-1", "drn-7"]), "bad-joins", "/joins", "not this one"),
    Case("joins numbers", drain(joins=["drn-1", 2]), "wrong-type", "/joins/1", "a number was sent"),
    Case("joins in a word", drain(joins="drn-1"), "wrong-type", "/joins", "a list of drain ids"),
    Case(
        "joins too many", drain(joins=[f"d{n}" for n in range(17)]), "too-many", "/joins", "the limit is 16"
    ),
    Case("label is a number", drain(label=1), "wrong-type", "/label", "should be text"),
]

COLLECTORS: Final = [
    Case(
        "collector without a profile",
        collector(profile=GONE),
        "missing-field",
        "/profile",
        "collector profile",
    ),
    Case("expiry in words", collector(expires_on="next year"), "bad-date", "/expires_on", "2028-01-31"),
    Case(
        "expiry on day 00",
        collector(expires_on="2028-11-00"),
        "bad-date",
        "/expires_on",
        "where no more is known",
    ),
    Case(
        "expiry on 31 November",
        collector(expires_on="2028-11-31"),
        "bad-date",
        "/expires_on",
        "is not a date",
    ),
    Case("date is a number", collector(made_on=2028), "wrong-type", "/made_on", "a date as text"),
    Case("udi is text", collector(udi="(01)04"), "wrong-type", "/udi", "should be an object"),
    Case(
        "udi of nothing", collector(udi={"aidc": " "}), "empty-text", "/udi/aidc", "scanned device identifier"
    ),
    Case("udi is a number", collector(udi={"aidc": 1}), "wrong-type", "/udi/aidc", "should be text"),
    Case(
        "udi that turns its text",
        collector(udi={"aidc": "01\u202e2"}),
        "control-character",
        "/udi/aidc",
        "invisible character",
    ),
    Case("endless udi", collector(udi={"aidc": "0" * 257}), "too-long", "/udi/aidc", "the limit is 256"),
]

AMENDMENTS: Final = [
    Case(
        "a correction of nothing", correction(), "nothing-corrected", "", "the record as it should have been"
    ),
    Case(
        "corrects no id",
        correction(corrects=GONE, reading=reading()),
        "missing-field",
        "/corrects",
        "(corrects)",
    ),
    Case(
        "correction without a time",
        correction(made_at=GONE, reading=reading()),
        "missing-field",
        "/made_at",
        "time",
    ),
    Case("correction is text", correction(reading="40 mL"), "wrong-type", "/reading", "should be an object"),
    Case(
        "a spoilt correction",
        correction(reading=reading(at="7:00")),
        "bad-time",
        "/reading/at",
        "is not a time",
    ),
    Case(
        "a correction in a unit nobody knows",
        correction(reading=reading(suction={"set": {"value": -20, "unit": "psig"}})),
        "unknown-unit",
        "/reading/suction/set/unit",
        '"psig"',
    ),
    Case(
        "two corrections in one",
        correction(reading=reading(), event=event("vented")),
        "two-records",
        "/reading",
        "one correction for each",
    ),
    Case(
        "a correction of another id",
        correction(reading=reading(id="r-2")),
        "corrects-another-id",
        "/reading/id",
        "leave the inner id out",
    ),
    Case(
        "a correction of another kind",
        correction(event={**event("vented", id="r-1"), "record": "reading"}),
        "kind-mismatch",
        "/event/record",
        "stands under event",
    ),
    Case(
        "an inner kind that is no text",
        correction(reading=reading(record=1)),
        "kind-mismatch",
        "/reading/record",
        "it is a number",
    ),
    Case(
        "a correction of a correction",
        correction(correction=correction()),
        "final-record",
        "/correction",
        "A correction is final",
    ),
    Case(
        "a correction of a retraction",
        correction(retraction=retraction()),
        "final-record",
        "/retraction",
        "A retraction is final",
    ),
    Case("retracts no id", retraction(retracts=GONE), "missing-field", "/retracts", "(retracts)"),
    Case("retraction without a time", retraction(made_at=GONE), "missing-field", "/made_at", "is missing"),
    Case(
        "retraction in the future",
        retraction(made_at="2027-03-02T09:12:00Z"),
        "future-time",
        "/made_at",
        "clock",
    ),
    Case(
        "retraction of a correction",
        retraction(kind="correction"),
        "final-record",
        "/kind",
        "A correction is final",
    ),
    Case(
        "retraction of an unknown kind", retraction(kind="note"), "unknown-word", "/kind", "drain, collector"
    ),
    Case("retraction of a list", retraction(kind=["reading"]), "wrong-type", "/kind", "a list was sent"),
]
