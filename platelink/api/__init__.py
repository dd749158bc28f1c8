"""The service behind every face of a unit: HTTP and WebSocket, people and their rights.

A process of its own, started by the daemon; it reaches the unit over one wire only.
"""
