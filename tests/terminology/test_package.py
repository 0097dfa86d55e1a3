"""`drainledger export --package`. Source of the rules: hl7.org/fhir/packages.html (name, members, `.index.json` with
index-version 2); the file is read by Python's tarfile and by npm itself, its resources by the validators."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import tarfile
from pathlib import Path
from typing import Any

import pytest

from drainledger import __version__
from drainledger.fhir import Fhir, conformance_resources
from drainledger.fhir.conformance.common import semantic
from tests.convert.cli import run
from tests.fhir import samples
from tests.harness.models import check_models
from tests.harness.node import validate

Json = dict[str, Any]
FHIRS: list[Fhir] = ["R4", "R5"]
CORE = {"R4": ("hl7.fhir.r4.core", "4.0.1"), "R5": ("hl7.fhir.r5.core", "5.0.0")}
#: What semver.org's own regular expression takes, without build metadata.
SEMANTIC = re.compile(r"(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)(-[0-9A-Za-z-]+(\.[0-9A-Za-z-]+)*)?")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[Fhir, Path]:
    folder = tmp_path_factory.mktemp("packages")
    files: dict[Fhir, Path] = {fhir: folder / f"{fhir}.tgz" for fhir in FHIRS}
    for fhir, file in files.items():
        done = run("export", "--package", file, "--fhir", fhir)
        assert (done.returncode, done.stdout) == (0, b""), done.stderr
    return files


def content(file: Path) -> dict[str, bytes]:
    with tarfile.open(file) as archive:
        members = archive.getmembers()
        assert all(each.isfile() and (each.uid, each.gid, each.uname) == (0, 0, "") for each in members)
        assert len({each.mtime for each in members}) == 1
        read = {each.name: archive.extractfile(each) for each in members}
        return {name: stream.read() for name, stream in read.items() if stream is not None}


def manifest(file: Path) -> Json:
    found: Json = json.loads(content(file)["package/package.json"])
    return found


def resources(file: Path) -> dict[str, Json]:
    return {
        name: json.loads(body)
        for name, body in content(file).items()
        if name.endswith(".json") and not name.endswith(("/package.json", "/.index.json"))
    }


@pytest.mark.parametrize("fhir", FHIRS)
def test_the_same_bytes_each_time(made: dict[Fhir, Path], fhir: Fhir, tmp_path: Path) -> None:
    again = tmp_path / "again.tgz"
    assert run("export", "--package", again, "--fhir", fhir, cwd=tmp_path).returncode == 0
    assert again.read_bytes() == made[fhir].read_bytes()


@pytest.mark.parametrize("fhir", FHIRS)
def test_the_manifest_says_what_is_asked_of_it(made: dict[Fhir, Path], fhir: Fhir) -> None:
    told = manifest(made[fhir])
    core, version = CORE[fhir]
    assert re.fullmatch(r"[a-z][a-z0-9-]*(\.[a-z][a-z0-9-]*)+", told["name"])
    assert SEMANTIC.fullmatch(told["version"])
    assert told["dependencies"] == {core: version}
    assert told["fhirVersions"] == [version]
    assert told["author"]
    assert told["canonical"] == samples.BASE
    assert told["type"] == "Conformance"
    assert "Not a medical device" in told["description"]


@pytest.mark.parametrize("fhir", FHIRS)
def test_it_holds_the_conformance_set_and_a_guide_to_it(made: dict[Fhir, Path], fhir: Fhir) -> None:
    found = resources(made[fhir])
    name, version = (manifest(made[fhir])[each] for each in ("name", "version"))
    guide = found.pop(f"package/ImplementationGuide-{name}.json")
    wanted = conformance_resources(samples.mappings().codes, samples.BASE, fhir)
    assert found == {f"package/{each.type}-{each.id}.json": json.loads(each.body) for each in wanted}
    assert {each["version"] for each in (*found.values(), guide)} == {version}
    assert guide["url"] == f"{samples.BASE}/ImplementationGuide/{name}"
    listed = [each["reference"]["reference"] for each in guide["definition"]["resource"]]
    assert sorted(listed) == sorted(each.reference for each in wanted)


@pytest.mark.parametrize("fhir", FHIRS)
def test_the_index_repeats_the_resources(made: dict[Fhir, Path], fhir: Fhir) -> None:
    """'These properties are populated if there is a string property with the same name in the resource'."""
    index = json.loads(content(made[fhir])["package/.index.json"])
    assert index["index-version"] == 2
    names = ("resourceType", "id", "url", "version", "kind", "type", "supplements", "content")
    assert {each["filename"]: each for each in index["files"]} == {
        Path(file).name: {"filename": Path(file).name}
        | {name: body[name] for name in names if isinstance(body.get(name), str)}
        for file, body in resources(made[fhir]).items()
    }


@pytest.mark.parametrize("fhir", FHIRS)
def test_every_resource_in_it_is_fhir(made: dict[Fhir, Path], fhir: Fhir, conformance_dir: Path) -> None:
    lines = [json.dumps(each) for each in resources(made[fhir]).values()]
    assert check_models(lines, fhir) == []
    if fhir == "R4":
        assert validate(lines, conformance_dir, whole_set=False) == []


@pytest.mark.parametrize("fhir", FHIRS)
def test_npm_reads_it(made: dict[Fhir, Path], fhir: Fhir, tmp_path: Path) -> None:
    """`npm pack FILE` reads a package with the code that installs one, and asks nobody."""
    npm = shutil.which("npm")
    assert npm is not None, "npm comes with Node, and the tests need it"
    environment = os.environ | {
        "npm_config_cache": str(tmp_path / "cache"),
        "npm_config_update_notifier": "false",
    }
    arguments = [npm, "pack", str(made[fhir]), "--json", "--offline", "--ignore-scripts", "--dry-run"]
    done = subprocess.run(arguments, cwd=tmp_path, env=environment, capture_output=True, check=True)
    (read,) = json.loads(done.stdout)
    told = manifest(made[fhir])
    assert (read["name"], read["version"]) == (told["name"], told["version"])
    assert {f"package/{each['path']}" for each in read["files"]} == content(made[fhir]).keys()


def test_a_site_puts_its_own_base(tmp_path: Path) -> None:
    file = tmp_path / "own.tgz"
    assert run("export", "--package", file, "--base", "https://hospital.example/r").returncode == 0
    assert manifest(file)["canonical"] == "https://hospital.example/r"
    assert not any(b"drainledger.example" in each for each in content(file).values())


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), b"--package FILE.tgz"),
        (("--package", "{}/missing/p.tgz"), b"make the folder first"),
        (("--package", "{}/p.tgz", "--base", "ftp://x"), b"write an http or https URL"),
        (("--package", "{}/p.tgz", "--mappings", "{}"), b"codes.toml"),
    ],
)
def test_what_cant_be_is_told(tmp_path: Path, arguments: tuple[str, ...], said: bytes) -> None:
    done = run("export", *(each.format(tmp_path) for each in arguments))
    assert done.returncode == 2
    assert said in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_versions_as_packages_write_them() -> None:
    """Semantic Versioning 2.0.0, 9: a pre-release goes before its release; PEP 440 writes it otherwise."""
    written = {"0.1.0.dev0": "0.1.0-dev.0", "1.2.3": "1.2.3", "1.0.0rc2": "1.0.0-rc.2"}
    assert {each: semantic(each) for each in written} == written
    assert SEMANTIC.fullmatch(semantic(__version__))
