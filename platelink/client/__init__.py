"""A client of a unit's service, for the command line and for programs."""

from platelink.client.client import Client
from platelink.client.errors import ClientError, NoService
from platelink.client.stated import request

__all__ = ["Client", "ClientError", "NoService", "request"]
