"""Balls on their way: drops, rebounds, the ledger and the failure rate."""
