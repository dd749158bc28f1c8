"""The page beside the machine: its own process, and no more than a face on the service."""
