"""Drainledger: chest-drain readings in, an exact output ledger and FHIR resources out.

Not a medical device, not an alarm, not a basis for treatment. Check the patient; local policy and
licensed practice decide.
"""

__version__ = "0.1.0.dev0"
