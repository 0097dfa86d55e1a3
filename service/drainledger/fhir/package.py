"""The conformance set as a FHIR NPM package (hl7.org/fhir/packages.html: a gzipped tar of a folder `package`).

The same content gives the same bytes: files in order, no clock, no user, none of this machine's names.
"""

from __future__ import annotations

import gzip
import io
import tarfile
from collections.abc import Iterable, Mapping
from typing import Final

import msgspec

from drainledger.fhir.codes import Code
from drainledger.fhir.conformance import conformance_resources
from drainledger.fhir.conformance.common import PUBLISHER, RELEASE, head
from drainledger.fhir.device import CAUTION
from drainledger.fhir.dialect import VERSION, Json
from drainledger.fhir.fragments import encode
from drainledger.fhir.resource import Fhir, Resource

#: When every file in a package was made: the time that npm itself puts there.
MADE: Final = 499_162_500
LICENSE: Final = "Apache-2.0"
TITLE: Final = "Drainledger: chest-drain readings in FHIR"
_ABOUT: Final = (
    "Code system, value sets, concept map, profiles, extension, search parameters and capability statement of "
    "chest-drain readings kept as an exact ledger."
)
#: What `.index.json` repeats of a resource, where it is text there.
_INDEXED: Final = ("resourceType", "id", "url", "version", "kind", "type", "supplements", "content")


def package_name(fhir: Fhir) -> str:
    return f"drainledger.chest-drain.{fhir.lower()}"


def package(codes: Mapping[str, Code], base: str, fhir: Fhir) -> bytes:
    """The whole package, as a `.tgz`. Raises MissingCode when `codes` lacks one that rendering needs."""
    return packed(package_files(codes, base, fhir))


def package_files(codes: Mapping[str, Code], base: str, fhir: Fhir) -> dict[str, bytes]:
    """Path in the package -> content: what describes it, then the resources by name."""
    described = conformance_resources(codes, base, fhir)
    guide = _guide(described, base, fhir)
    bodies = {f"{each.type}-{each.id}.json": each.body for each in described}
    bodies[f"ImplementationGuide-{guide['id']}.json"] = encode(guide)
    return {
        "package/package.json": _pretty(encode(_manifest(base, fhir))),
        "package/.index.json": _pretty(encode(_index(bodies))),
        "package/README.md": _readme(fhir).encode(),
        **{f"package/{name}": _pretty(bodies[name]) for name in sorted(bodies)},
    }


def packed(files: Mapping[str, bytes]) -> bytes:
    """The files as a gzipped tar, in their order; the same bytes each time."""
    written = io.BytesIO()
    with (
        gzip.GzipFile(filename="", mode="wb", fileobj=written, compresslevel=9, mtime=0) as packing,
        tarfile.open(fileobj=packing, mode="w", format=tarfile.USTAR_FORMAT) as archive,
    ):
        for path, content in files.items():
            entry = tarfile.TarInfo(path)
            entry.size, entry.mtime, entry.mode = len(content), MADE, 0o644
            archive.addfile(entry, io.BytesIO(content))
    return written.getvalue()


def _pretty(body: bytes) -> bytes:
    return msgspec.json.format(body, indent=2) + b"\n"


def _manifest(base: str, fhir: Fhir) -> Json:
    return {
        "name": package_name(fhir),
        "version": RELEASE,
        "type": "Conformance",
        "license": LICENSE,
        "canonical": base,
        "url": base,
        "title": TITLE,
        "description": f"{_ABOUT} {CAUTION}",
        "author": PUBLISHER,
        "languages": ["en"],
        "fhirVersions": [VERSION[fhir]],
        "dependencies": {f"hl7.fhir.{fhir.lower()}.core": VERSION[fhir]},
    }


def _index(bodies: Mapping[str, bytes]) -> Json:
    return {"index-version": 2, "files": [_indexed(name, bodies[name]) for name in sorted(bodies)]}


def _indexed(name: str, body: bytes) -> Json:
    resource: Json = msgspec.json.decode(body)
    told = {key: resource[key] for key in _INDEXED if isinstance(resource.get(key), str)}
    return {"filename": name, **told}


def _guide(described: Iterable[Resource], base: str, fhir: Fhir) -> Json:
    """What the package says of itself as a resource: packages.html asks for one under this very URL."""
    example = {"exampleBoolean": False} if fhir == "R4" else {"isExample": False}
    return {
        **head("ImplementationGuide", package_name(fhir), base, TITLE, _ABOUT),
        "name": "Drainledger",
        "packageId": package_name(fhir),
        "license": LICENSE,
        "fhirVersion": [VERSION[fhir]],
        "definition": {
            "resource": [{"reference": {"reference": each.reference}, **example} for each in described]
        },
    }


#: What whoever opens the package should know of its content.
_KNOW: Final = (
    "LOINC 9129-8 stands on interval outputs alone: adding up its values gives a drain's output, each drop once.",
    "The concept map names a SNOMED CT code, whose use needs a licence of one's own.",
    "The value set of sites enumerates codes of HL7 v2 table 0550, whose code system HL7 publishes itself.",
)
_SNAPSHOTS: Final[Mapping[Fhir, str]] = {
    "R4": "The profiles carry snapshots.",
    "R5": "The profiles carry differentials alone: whoever uses them makes the snapshots from the core package.",
}


def _readme(fhir: Fhir) -> str:
    about = f"{_ABOUT} FHIR {VERSION[fhir]}, version {RELEASE}."
    return "\n\n".join([f"# {TITLE}", about, CAUTION, *_KNOW, _SNAPSHOTS[fhir], f"Licence: {LICENSE}.\n"])
