"""What a reading says besides the level, and what is overdue (DESIGN 4 'Suction', 'Air', 'Clamps', 'Rules')."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from msgspec.structs import replace

from drainledger.domain import bedside as at_bedside
from drainledger.domain.collectors import Profile
from drainledger.domain.entries import Ground
from drainledger.domain.folding.page import Page
from drainledger.domain.numbers import hours_between, seconds_between
from drainledger.domain.records import Reading
from drainledger.domain.state import ZERO, Leak


def observe(page: Page, reading: Reading) -> None:
    judged = page.flow.judged
    profile = judged.profile if judged is not None else None
    if reading.suction is not None or reading.pressure is not None:
        page.bedside, noticed = at_bedside.take_suction(page.bedside, reading, profile)
        page.note_all(noticed)
    if at_bedside.scale_mismatch(reading, page.bedside, profile):
        grounds = [page.own("level") for mark in page.levels if not mark.part]
        if reading.suction is not None and reading.suction.mode is not None:
            grounds.append(page.own("suction"))
        page.note(
            "scale-mismatch",
            grounds,
            read=reading.scale or "",
            mode=page.bedside.mode or "",
        )
    if reading.air_leak is not None:
        _air(page, reading, profile)
    if reading.appearance and reading.appearance != page.bedside.appearance:
        _looks(page, reading)
    _still_clamped(page)


def _air(page: Page, reading: Reading, profile: Profile | None) -> None:
    air = reading.air_leak
    assert air is not None
    refused = at_bedside.grade_refused(air, profile)
    if refused is not None:
        page.dropped = ("air_leak.grade",)
        page.note(refused, (page.own("grade"),), level=Decimal(air.grade or 0))
    if refused == "grade-off-scale":
        air = replace(air, grade=None)
    shown = at_bedside.leak_shown(reading.key, air)
    last = page.bedside.last_leak
    if shown:
        _leaking(page, Leak(reading.at, shown))
    elif at_bedside.looked(air) and last is not None and not at_bedside.is_clamped(page.bedside):
        page.leak_free = hours_between(last.at, reading.at)
        page.last_leak = last.grounds
        page.bedside = replace(page.bedside, leak_since=None, leak_told=False)


def _leaking(page: Page, leak: Leak) -> None:
    bedside = page.bedside
    since = bedside.leak_since or leak
    days = page.limit("air-leak-prolonged", "days")
    told = bedside.leak_told
    if days is not None and not told and page.rule_on("air-leak-prolonged"):
        told = seconds_between(since.at, leak.at) > days * 86400
        if told:
            page.note("air-leak-prolonged", (*leak.grounds, *since.grounds), level=days)
    page.bedside = replace(bedside, last_leak=leak, leak_since=since, leak_told=told)


def _looks(page: Page, reading: Reading) -> None:
    before = page.bedside.appearance
    if before and before != reading.appearance and page.rule_on("appearance-changed"):
        by = page.bedside.appearance_by
        grounds = (page.own("appearance"), None if by is None else Ground(by, "appearance"))
        page.note("appearance-changed", grounds)
    page.bedside = replace(page.bedside, appearance=reading.appearance, appearance_by=reading.key)


def _still_clamped(page: Page) -> None:
    clamp = page.bedside.clamp
    limit = page.limit("still-clamped", "minutes")
    if (
        clamp is None
        or clamp.until is not None
        or clamp.told
        or limit is None
        or not page.rule_on("still-clamped")
    ):
        return
    if seconds_between(clamp.since, page.node.order.at) > limit * 60:
        page.note("still-clamped", start=clamp.since)
        page.bedside = replace(page.bedside, clamp=replace(clamp, told=True))


def overdue(page: Page, reading: Reading) -> None:
    last = page.bedside.read_at
    every = page.drain.reads_every
    page.bedside = replace(page.bedside, read_at=reading.at)
    if last is None or every is None or not page.rule_on("reading-overdue"):
        return
    grace = page.limit("reading-overdue", "grace_minutes") or ZERO
    late = seconds_between(last, reading.at) > Decimal(int(every.total_seconds())) + grace * 60
    if late and not _joined_between(page, last, reading.at):
        page.note("reading-overdue", (page.own("reading"),), start=last)


def _joined_between(page: Page, start: datetime, end: datetime) -> bool:
    return any(since < end and (until is None or until > start) for since, until in page.joined)
