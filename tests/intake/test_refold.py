"""`db refold --mapping`: what was journaled is judged by the mappings now in force (DESIGN 4), and no more changes. The
reference is `convert` under the new mappings, which has no history."""

from __future__ import annotations

import json
import shutil
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from drainledger.convert.pipeline import convert
from drainledger.convert.report import Report
from drainledger.convert.settings import BASE, Settings
from drainledger.fhir import Renderer
from drainledger.intake.intake import Intake
from drainledger.intake.refolding import OtherIds, Refolded, Refolding
from drainledger.intake.views import Views
from drainledger.mapping import Mappings, load_mappings
from drainledger.mapping.load import shipped_folder
from drainledger.store.backup import backup, restore
from drainledger.store.checking import check
from drainledger.store.migrations import upgrade
from drainledger.store.store import Store
from tests.acceptance.converted import RECEIVED, lines_of
from tests.intake.service import TENANT, Clock, latest, new_intake, renderer_of, send, sqlite_url
from tests.intake.test_same_as_convert import batches, comparable, is_adapter
from tests.journals.books import line, mappings, outputs
from tests.journals.raw import collector, connected, drain, level, replaced, volume
from tests.postgres import new_database

ENGINES = ("sqlite", "postgresql")
JOURNAL = (
    *(
        drain(),
        collector("col-1"),
        collector("col-2"),
        connected("06:00"),
        level("07:00", 100),
        level("08:00", 99),
    ),
    *(replaced("08:30", "col-2", final=99), level("09:00", 50), level("09:30", 49), level("20:10", 90)),
    *(
        drain("drn-2", reads="volume", weight={"value": 72, "unit": "kg"}),
        volume("07:00", 30, drain="drn-2", id="v-1"),
    ),
    collector("spare", profile="new-unit"),
)


def new_mappings(place: Path) -> Path:
    """A folder of mappings in which an adult unit has no reading tolerance, shifts differ, and one profile more is
    known."""
    folder = place / "mappings"
    shutil.copytree(shipped_folder(), folder)
    unit = folder / "collectors" / "adult-single.toml"
    text = unit.read_text()
    unit.write_text(text.replace("tolerance_graduations = 2", "tolerance_graduations = 0"))
    (folder / "collectors" / "new-unit.toml").write_text(text.replace('"adult-single"', '"new-unit"'))
    windows = folder / "windows.toml"
    windows.write_text(windows.read_text().replace('"19:00"', '"20:00"'))
    return folder


@pytest.fixture(scope="module")
def changed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Mappings]:
    folder = new_mappings(tmp_path_factory.mktemp("site"))
    found = load_mappings(folder)
    assert found.rules.version != mappings().rules.version
    return folder, found


@pytest.fixture(params=ENGINES)
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return sqlite_url(tmp_path) if request.param == "sqlite" else new_database()


@contextmanager
def filled(url: str, lines: Sequence[bytes], clock: Clock) -> Iterator[tuple[Store, Intake]]:
    """A journal under the shipped mappings, with its intake still running."""
    upgrade(url)
    with closing(Store.open(url)) as store, closing(new_intake(store, clock=clock)) as intake:
        for batch in batches(lines, 1):
            send(intake, *batch)
        yield store, intake


def refolding(store: Store, new: Mappings, clock: Clock, secret: bytes = b"") -> Refolding:
    renderer = Renderer(new.codes, base=BASE, tenant=TENANT, patient_secret=secret)
    return Refolding(store, new.rules, renderer, tenant=TENANT, principal="cli:test", clock=clock)


def by_convert(lines: Sequence[bytes], folder: Path, secret: bytes = b"") -> dict[str, Any]:
    settings = Settings(
        emit="resources",
        received_at=RECEIVED,
        tenant=TENANT,
        source="ward",
        mappings=folder,
        patient_secret=secret,
    )
    texts = b"".join(convert(enumerate(lines, 1), settings, Report(lambda told: None))).splitlines()
    made = [json.loads(text, parse_float=Decimal, parse_int=Decimal) for text in texts]
    found = comparable({f"{each['resourceType']}/{each['id']}": each for each in made})
    return {reference: content for reference, content in found.items() if not is_adapter(content)}


def assert_as_converted(store: Store, lines: Sequence[bytes], folder: Path, secret: bytes = b"") -> None:
    ours, theirs = comparable(latest(store)), by_convert(lines, folder, secret)
    assert ours.keys() == theirs.keys()
    for reference, content in theirs.items():
        assert ours[reference] == content, reference


def ledger_of(store: Store, new: Mappings, drain_id: str = "drn-1", **more: Any) -> list[str]:
    found = Views(store, new.rules, renderer=renderer_of).ledger(TENANT, drain_id, **more)
    assert found is not None
    return outputs(found[0])


LINES = [line(raw) for raw in JOURNAL]
OLD = ["100", "0", "0", "50", "0", "40"]
NEW = ["100", "?", "0", "50", "?", "41"]


def test_afterwards_all_is_as_converted_under_the_new_mappings(
    url: str, changed: tuple[Path, Mappings]
) -> None:
    folder, new = changed
    clock = Clock()
    with filled(url, LINES, clock) as (store, _):
        before = comparable(latest(store))
        assert before != by_convert(LINES, folder), "the new mappings make a difference"
        assert ledger_of(store, new) == OLD, "new mappings alone change nothing"
        done = list(refolding(store, new, clock).run())
        assert {(one.drains, one.collectors) for one in done} == {
            (("drn-1",), ("col-1", "col-2")),
            (("drn-2",), ()),
            ((), ("spare",)),
        }
        assert ledger_of(store, new) == NEW
        assert_as_converted(store, LINES, folder)
        assert check(store) == []
        assert list(refolding(store, new, clock).run()) == [], "nothing is left to do"


def test_the_act_is_in_the_journal(url: str, changed: tuple[Path, Mappings]) -> None:
    _, new = changed
    clock = Clock()
    with filled(url, LINES, clock) as (store, _):
        with store.read(TENANT) as read:
            last = read.rows(0, 1000)[-1]
        list(refolding(store, new, clock).run())
        with store.read(TENANT) as read:
            acts = read.rows(last.seq, 100)
            audited = [row for row in read.audits(0, 1000) if row.action == "refold"]
        assert {(row.key.kind, row.rules_version, row.principal) for row in acts} == {
            ("refold", new.rules.version, "cli:test")
        }
        assert [len(row.patients) for row in audited] == [1, 1, 0]
        assert [(row.outcome, row.drains) for row in audited] == [
            (f"judged by {new.rules.version}", drains) for drains in (("drn-1",), ("drn-2",), ())
        ]
        views = Views(store, new.rules, renderer=renderer_of)
        assert ledger_of(store, new, known_at=last.received_at) == OLD
        assert ledger_of(store, new, known_at=acts[-1].received_at) == NEW
        page = views.changes_since(TENANT, "drn-1", last.received_at)
        assert page is not None
        changes = page.changes
        assert [(one.cause.key, one.cause.seq) for one in changes] == [(acts[0].key, acts[0].seq)]
        assert {node.key.id for node in changes[0].nodes} >= {"r-0800", "r-0930"}
        assert changes[0].windows


def test_a_trial_says_what_would_change_and_writes_nothing(url: str, changed: tuple[Path, Mappings]) -> None:
    _, new = changed
    clock = Clock()
    with filled(url, LINES, clock) as (store, _):
        before = everything(store)
        trial = list(refolding(store, new, clock).run(dry_run=True))
        assert everything(store) == before
        # By hand: to 08:00 and 09:30 from 0 to unknown, to 08:30 no longer within a tolerance, to 20:10 from 40 to 41.
        assert counted(trial)[("drn-1", "interval-output")] == 4
        assert counted(trial)[("", "Device")] >= 1, "the unit of the profile that was not known"
        with store.read(TENANT) as read:
            last = read.last_seq()
        assert list(refolding(store, new, clock).run()) == trial
        with store.read(TENANT) as read:
            rows = [row for seq in range(last + 1, read.last_seq() + 1) for row in read.written_at(seq)]
        assert sum(len(row.written) for row in rows) == sum(counted(trial).values())


def counted(done: list[Refolded]) -> Counter[tuple[str, str]]:
    return sum((Counter(one.changed) for one in done), Counter())


def everything(store: Store) -> tuple[Any, ...]:
    with store.read(TENANT) as read:
        return read.rows(0, 10**6), read.audits(0, 10**6), read.mappings(), latest(store)


def test_other_processes_see_it_and_go_on(url: str, changed: tuple[Path, Mappings]) -> None:
    """A service that runs meanwhile, with all loaded, and one that starts afterwards: both give what convert gives."""
    folder, new = changed
    clock = Clock()
    with filled(url, LINES, clock) as (store, running):
        views = Views(store, mappings().rules, renderer=renderer_of)
        assert views.ledger(TENANT, "drn-1") is not None
        list(refolding(store, new, clock).run())
        found = views.ledger(TENANT, "drn-1")
        assert found is not None
        assert outputs(found[0]) == NEW
        late, later = level("08:15", 98), level("20:30", 91)
        send(running, late)
        assert_as_converted(store, [*LINES, line(late)], folder)
        with closing(new_intake(store, rules=new.rules, clock=clock)) as restarted:
            send(restarted, later)
        assert_as_converted(store, [*LINES, line(late), line(later)], folder)


def test_a_connection_made_before_in_time_but_journaled_after_keeps_its_own_version(
    url: str, changed: tuple[Path, Mappings]
) -> None:
    """What a service with the old mappings takes in after a refold is judged by the old ones, until the next."""
    folder, new = changed
    clock = Clock()
    more = [
        line(raw)
        for raw in (
            drain("drn-3"),
            collector("col-9"),
            connected("06:00", unit="col-9", drain="drn-3", id="c9"),
        )
    ]
    more += [line(level(at, ml, drain="drn-3", id=f"x{at}")) for at, ml in (("07:00", 100), ("08:00", 99))]
    with filled(url, LINES, clock) as (store, running):
        list(refolding(store, new, clock).run())
        send(running, *more)
        assert ledger_of(store, new, "drn-3") == ["100", "0"]
        assert [one.drains for one in refolding(store, new, clock).run()] == [("drn-3",)]
        assert ledger_of(store, new, "drn-3") == ["100", "?"]
        assert_as_converted(store, [*LINES, *more], folder)


def test_one_that_is_cut_off_is_completed_by_the_next(url: str, changed: tuple[Path, Mappings]) -> None:
    folder, new = changed
    clock = Clock()
    with filled(url, LINES, clock) as (store, _):
        half = refolding(store, new, clock).run()
        next(half)
        half.close()
        assert check(store) == []
        assert len(list(refolding(store, new, clock).run())) == 2
        assert_as_converted(store, LINES, folder)


def test_back_to_the_old_mappings(url: str, changed: tuple[Path, Mappings]) -> None:
    _, new = changed
    clock = Clock()
    with filled(url, LINES, clock) as (store, _):
        before = comparable(latest(store))
        list(refolding(store, new, clock).run())
        list(refolding(store, mappings(), clock).run())
        after = comparable(latest(store))
        assert {r: after[r] for r in before} == before
        assert ledger_of(store, new) == OLD


def test_a_backup_keeps_it(url: str, changed: tuple[Path, Mappings], tmp_path: Path) -> None:
    _, new = changed
    clock = Clock()
    with filled(url, LINES, clock) as (store, _):
        list(refolding(store, new, clock).run())
        backup(store, tmp_path / "copy")
        elsewhere = f"sqlite:///{tmp_path / 'elsewhere.db'}"
        restore(tmp_path / "copy", elsewhere)
        with closing(Store.open(elsewhere)) as copy:
            assert check(copy) == []
            assert latest(copy) == latest(store)
            assert ledger_of(copy, new) == NEW
            assert list(refolding(copy, new, clock).run()) == []


def test_another_patient_secret_is_refused(url: str, changed: tuple[Path, Mappings]) -> None:
    _, new = changed
    clock = Clock()
    with filled(url, LINES, clock) as (store, _):
        before = everything(store)
        with pytest.raises(OtherIds, match="DRAINLEDGER_PATIENT_SECRET"):
            list(refolding(store, new, clock, secret=b"another").run())
        assert everything(store) == before


@pytest.mark.parametrize("seed", range(12))
def test_generated_journals(seed: int, changed: tuple[Path, Mappings], tmp_path: Path) -> None:
    folder, new = changed
    clock = Clock()
    lines = lines_of(seed, 40)
    with filled(sqlite_url(tmp_path), lines, clock) as (store, _):
        list(refolding(store, new, clock).run())
        assert_as_converted(store, lines, folder)
        assert check(store) == []
