"""`python -m drainledger` is `drainledger`."""

from drainledger.cli import main

main()
