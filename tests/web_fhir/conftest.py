"""Running services for the tests of FHIR over HTTP: a filled ward, and generated journals.

`ward` and `journals` are shared by the tests of a module, which must not mind each other; `empty` is a test's own.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from drainledger.fhir import conformance_resources
from tests.convert.journals import ward as ward_records
from tests.fhir import samples
from tests.web.http import Http, caller, key_for, service, settings_for
from tests.web_fhir.journals import Journals, fill

HOW_MANY = 20


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Http]:
    """Two patients, three drains; every record in a commit of its own, so that there are histories. The caller may do
    everything."""
    with caller(settings_for(tmp_path_factory.mktemp("ward"))) as http:
        for record in ward_records():
            assert http.post(record).status_code == 200
        yield http


@pytest.fixture(scope="module")
def journals(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Journals]:
    """Twenty generated journals, each a tenant's own."""
    with service(settings_for(tmp_path_factory.mktemp("journals"))) as app, ExitStack() as closing:
        http = Http(app, None)
        closing.callback(http.close)
        tenants = [f"j{seed}" for seed in range(HOW_MANY)]
        keys = {tenant: key_for(app, tenant=tenant) for tenant in tenants}
        for seed, tenant in enumerate(tenants):
            fill(http, keys[tenant], seed)
        yield Journals(http, keys)


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Http]:
    with caller(settings_for(tmp_path)) as http:
        yield http


@pytest.fixture(scope="session")
def conformance_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The conformance set on disk, as the validators read it."""
    folder = tmp_path_factory.mktemp("conformance-r4")
    for resource in conformance_resources(samples.mappings().codes, samples.BASE, "R4"):
        (folder / f"{resource.type}-{resource.id}.json").write_bytes(resource.body)
    return folder
