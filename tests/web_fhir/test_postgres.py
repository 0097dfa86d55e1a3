"""What was shown on SQLite, on PostgreSQL: the same questions to the same ward."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import SecretStr

from tests.convert.journals import ward as ward_records
from tests.web.http import Http, caller, postgres_url, settings_for
from tests.web_fhir import test_provenance, test_read
from tests.web_fhir.journals import emitted


@pytest.fixture
def ward(tmp_path: Path) -> Iterator[Http]:
    with caller(settings_for(tmp_path, database=SecretStr(postgres_url()))) as http:
        for record in ward_records():
            assert http.post(record).status_code == 200
        yield http


def test_versions_histories_and_where_they_come_from(ward: Http) -> None:
    test_read.test_a_version_reads_as_the_bytes_that_were_emitted(ward)
    test_read.test_a_read_gives_the_current_version(ward)
    test_read.test_since_and_at(ward)
    for type_ in test_read.TYPES:
        test_read.test_a_type_s_history_is_all_versions_of_all(ward, type_)
    targets = [target["reference"] for each in test_provenance.provenances(ward) for target in each["target"]]
    versions = [f"{each.type}/{each.id}/_history/{each.version}" for each in emitted(ward)]
    assert sorted(targets) == sorted(versions)
    test_provenance.test_they_name_nobody_but_by_the_id_of_a_patient(ward)
