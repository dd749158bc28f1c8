"""Every request and answer between unit, service and faces, and the unit's status. Data only.

One class for one thing, at both ends of each line. A reader passes over keys that a newer release
has added; a request that holds an unknown key is refused.
"""
