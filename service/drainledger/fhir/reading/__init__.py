"""What others post: a FHIR Observation as a record of the contract (DESIGN 3), or why it can't be one.

Nothing here reads or writes anything: what a reference leads to is asked of a `Directory`. R4 and R5 are read alike:
what is used of an Observation is written the same in both.

Of a drain whose own record has not come nothing is read: nobody could tell whether it is the patient's, and nobody
would look when it comes. By /v1/records, where a reading names no patient, it waits.
"""

from drainledger.fhir.reading.desk import Desk, Directory, Named
from drainledger.fhir.reading.entries import Posted, Understood, read_entries
from drainledger.fhir.reading.notes import Fault, Notes
from drainledger.fhir.reading.problems import as_faults

__all__ = [
    "Desk",
    "Directory",
    "Fault",
    "Named",
    "Notes",
    "Posted",
    "Understood",
    "as_faults",
    "read_entries",
]
