"""The steps of ../install.py. Needs nothing but Debian's python3."""
