"""Bytes to records: what is wrong in a record alone is told here, all of it at once (DESIGN 3)."""

from drainledger.domain.validation.decode import decode
from drainledger.domain.validation.outcome import Outcome, Parsed, Refused
from drainledger.domain.validation.parse import parse, read

__all__ = ["Outcome", "Parsed", "Refused", "decode", "parse", "read"]
