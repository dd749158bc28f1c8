"""Alarms that reach people: who is to hear what when, what waits, and how it is sent."""
