"""From a configuration to the fleet: how it logs in to the broker."""

from __future__ import annotations

from dataclasses import replace

from platelink.config.model import FleetConfig
from platelink.daemon.setup import broker_settings
from platelink.publish.broker import BrokerSettings


def fleet_broker(config: FleetConfig) -> BrokerSettings:
    """The broker as the fleet logs in to it. ``SecretFileError`` when a secret cannot be read."""
    broker = broker_settings(config)
    assert broker is not None  # the section is required there
    part = config.fleet
    if part.username is None:
        return broker
    return replace(broker, username=part.username, password=part.secret())
