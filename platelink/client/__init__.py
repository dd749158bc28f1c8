"""A client of a unit's service, for the command line and for programs."""

from platelink.client.client import Client, request
from platelink.client.errors import ClientError, NoService

__all__ = ["Client", "ClientError", "NoService", "request"]
