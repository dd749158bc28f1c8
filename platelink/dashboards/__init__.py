"""Dashboards of units, shop and recorder as Python, and as the JSON that Grafana loads."""
