from __future__ import annotations

from pathlib import Path

import pytest

from drainledger.fhir import conformance_resources
from tests.fhir import samples


@pytest.fixture(scope="session")
def conformance_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The conformance set on disk, as the validators read it."""
    folder = tmp_path_factory.mktemp("conformance-r4")
    for resource in conformance_resources(samples.mappings().codes, samples.BASE, "R4"):
        (folder / f"{resource.type}-{resource.id}.json").write_bytes(resource.body)
    return folder
