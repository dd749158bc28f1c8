"""From a configuration to the fleet: how it logs in to the broker."""

from __future__ import annotations

from dataclasses import replace

from platelink.config.fleet import FleetSection, KeepSection
from platelink.config.model import FleetConfig
from platelink.daemon.setup import broker_settings
from platelink.publish.broker import BrokerSettings


def fleet_broker(config: FleetConfig) -> BrokerSettings:
    """The broker as the fleet logs in to it. ``SecretFileError`` when a secret cannot be read."""
    return _as(config, config.fleet)


def keep_broker(config: FleetConfig) -> BrokerSettings:
    """The same for the process that keeps copies."""
    return _as(config, config.fleet.keep)


def _as(config: FleetConfig, part: FleetSection | KeepSection) -> BrokerSettings:
    broker = broker_settings(config)
    assert broker is not None  # the section is required there
    if part.username is None:
        return broker
    return replace(broker, username=part.username, password=part.secret())
