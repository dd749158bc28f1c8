"""Every event that the record can hold: its stable name, and what it carries. Data only.

One name, one class; ``name`` and ``data`` are what the journal, the topics and every face show.
``read`` is the way back: producers and readers share the same class, so that renaming either is
found by the type checker. A name or key is never changed: journals written with it exist.
"""
