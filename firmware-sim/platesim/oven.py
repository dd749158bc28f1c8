"""Drying oven: thermal mass, heater, thermostat with hysteresis, door. A step function of time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple


@dataclass(frozen=True, slots=True)
class OvenParameters:
    """One heated chamber. All default values are invented."""

    heat_capacity_j_k: float = 6000.0
    heater_w: float = 900.0
    loss_w_k: float = 6.0
    door_loss_w_k: float = 60.0
    """Lost beside ``loss_w_k`` while the door is open."""
    setpoint_c: float = 60.0
    band_c: float = 2.0
    """Heater on below setpoint - band/2, off above setpoint + band/2."""
    start_c: float = 23.0
    ambient_c: float = 23.0


LIGHT = OvenParameters(heat_capacity_j_k=1500.0)
"""A thin box of sheet: behind its closed door it falls at 9 °C/min."""
HEAVY = OvenParameters(heat_capacity_j_k=60_000.0)
"""A cabinet of bricks: with its door open it falls at 2.4 °C/min."""


def plate_after(plate_c: float, air_c: float, seconds: float, lag_s: float) -> float:
    """A plate in air of a constant temperature (Newton's law of cooling)."""
    return air_c + (plate_c - air_c) * math.exp(-seconds / lag_s)


class OvenState(NamedTuple):
    """Present state."""

    temperature_c: float
    heating: bool


def equilibrium_c(parameters: OvenParameters, *, heating: bool, door_open: bool) -> float:
    """Where the temperature tends to."""
    power = parameters.heater_w if heating else 0.0
    return parameters.ambient_c + power / _loss_w_k(parameters, door_open)


def stepped(
    parameters: OvenParameters, state: OvenState, seconds: float, *, door_open: bool = False
) -> OvenState:
    """State after ``seconds``, the thermostat looking once, at the beginning of the step."""
    heating = _thermostat(parameters, state)
    rest = equilibrium_c(parameters, heating=heating, door_open=door_open)
    tau = parameters.heat_capacity_j_k / _loss_w_k(parameters, door_open)
    temperature = rest + (state.temperature_c - rest) * math.exp(-seconds / tau)
    return OvenState(temperature, heating)


def _loss_w_k(parameters: OvenParameters, door_open: bool) -> float:
    return parameters.loss_w_k + (parameters.door_loss_w_k if door_open else 0.0)


def _thermostat(parameters: OvenParameters, state: OvenState) -> bool:
    half = parameters.band_c / 2.0
    if state.temperature_c >= parameters.setpoint_c + half:
        return False
    if state.temperature_c <= parameters.setpoint_c - half:
        return True
    return state.heating
