"""Reads mappings/: what an integration engineer edits. A broken file is refused with file, key and line."""

from drainledger.mapping.codes import Code, StandardCode
from drainledger.mapping.errors import MappingError
from drainledger.mapping.load import Mappings, check_mapping, content_hash, load_mappings, shipped_folder

__all__ = [
    "Code",
    "MappingError",
    "Mappings",
    "StandardCode",
    "check_mapping",
    "content_hash",
    "load_mappings",
    "shipped_folder",
]
