"""The same tables as ViewDefinitions of SQL on FHIR, for runners that know nothing of this project.

Shape: build.fhir.org/ig/FHIR/sql-on-fhir-v2, StructureDefinition-ViewDefinition (resource, constant, select, where;
select.column name, path, type, description), and ShareableViewDefinition there (url, name, fhirVersion and
the type of each column are required). Names fit `sql-name`: letters, digits and underscores.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from drainledger.fhir.fragments import encode
from drainledger.fhir.resource import Fhir, Resource
from drainledger.fhir.tables.columns import Column, Json, Table
from drainledger.fhir.tables.rows import WITHDRAWN
from drainledger.fhir.tables.shapes import TABLES

_TYPES: Final = {"text": "string", "decimal": "decimal", "instant": "dateTime", "offset": "string"}
_VERSIONS: Final = {"R4": "4.0.1", "R5": "5.0.0"}
CAUTION: Final = (
    "Not a medical device, not an alarm. Check the patient; local policy and licensed practice decide."
)


def view_definitions(base: str, fhir: Fhir) -> list[Json]:
    """One a table, in the order of TABLES."""
    return [_view(table, base, fhir) for table in TABLES.values()]


def view_resources(base: str, fhir: Fhir) -> list[Resource]:
    """The same as they are written to files. No type of R4 or R5: a FHIR server needn't take them."""
    return [Resource(one["resourceType"], one["id"], encode(one)) for one in view_definitions(base, fhir)]


def _view(table: Table, base: str, fhir: Fhir) -> Json:
    name = f"drain-{table.name}"
    return {
        "resourceType": "ViewDefinition",
        "id": name,
        "url": f"{base}/ViewDefinition/{name}",
        "name": name.replace("-", "_"),
        "title": table.title,
        "status": "draft",
        "experimental": True,
        "description": f"{table.title}. {CAUTION}",
        "resource": "Observation",
        "fhirVersion": [_VERSIONS[fhir]],
        "constant": [{"name": "local", "valueUri": f"{base}/CodeSystem/chest-drain"}],
        "select": [{"column": _columns(table.columns)}],
        "where": [{"path": path} for path in _where(table)],
    }


def _columns(columns: Sequence[Column]) -> list[Json]:
    return [
        {
            "name": column.name,
            "path": column.path,
            "description": f"{column.meaning} ({column.unit})" if column.unit else column.meaning,
            "type": _TYPES[column.kind],
        }
        for column in columns
    ]


def _where(table: Table) -> list[str]:
    codes = " or ".join(f"code = '{code}'" for code in table.codes)
    found = [f"code.coding.where(system = %local and ({codes})).exists()"]
    if table.loinc:
        found.append(f"code.coding.where(system = 'http://loinc.org' and code = '{table.loinc}').exists()")
    return [*found, f"status != '{WITHDRAWN}'"]
