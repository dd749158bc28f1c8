"""The routes, by what they are about."""

from platelink.contract.built import build_requests

build_requests()
