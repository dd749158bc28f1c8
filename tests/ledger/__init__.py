"""Files of the ledger, whatever their kind: what a power cut leaves of them."""
