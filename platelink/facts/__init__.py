"""Facts of everything made, beside the journal: found by index, in milliseconds.

They follow from the journal alone and can be made anew at any time; the journal is the truth.
"""
