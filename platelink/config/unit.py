"""Settings of the unit itself and of what it does: link, contact, exposure."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import model_validator

from platelink.forms.keys import Kpa, PlainName, Seconds, Section, key


class UnitSection(Section):
    """Which unit this is."""

    name: PlainName = key("Name of this exposure unit, unique in the site.", example="unit-1")
    site: PlainName = key("Name of the shop or building.", "shop")
    lamps: Literal["wired", "advisory"] = key(
        "wired: the device switches the lamps. advisory: the unit's own timer does; platelink "
        "measures, says what time to set and signals when the dose is reached.",
        "wired",
    )
    adc_bits: int = key(
        "Bits of the device's converter. Calibrations are in counts of this converter; a device "
        "that reports another number is refused.",
        10,
        unit="bit",
        ge=8,
        le=16,
    )


class LinkSection(Section):
    """The serial link to the device."""

    port: str = key(
        "Serial port of the device; the names in /dev/serial/by-id survive a replug.",
        example="/dev/serial/by-id/usb-example-device",
        min_length=1,
    )
    baud: int = key("Speed of the port.", 115200, unit="bit/s", ge=9600, le=4_000_000)
    frame_ticks: int = key(
        "Device ticks between two samples while light is on or asked for; four times as many "
        "otherwise, once the device's clock is known. Whole cycles of 100 and 120 Hz ripple fit "
        "into multiples of 50 ms; below 20 a line of 115200 bit/s has no room for answers.",
        50,
        unit="ticks",
        ge=20,
        le=1000,
    )


class ContactSection(Section):
    """Contact vacuum an exposure needs. Common practice, no source: set what holds your plates.
    Leave the section out to expose without looking at the vacuum."""

    low_kpa: Kpa = key(
        "Least vacuum that holds film and plate together.",
        unit="kPa",
        example="60 kPa",
        gt=0.0,
        le=110.0,
    )
    high_kpa: Kpa = key(
        "Most vacuum the frame can reach; a gauge that shows more is not believed.",
        unit="kPa",
        example="90 kPa",
        gt=0.0,
        le=110.0,
    )
    pull_down_limit_s: Seconds = key(
        "Longest time to reach the band.", 60.0, unit="s", gt=0.0, le=3600.0
    )
    hold_test_s: Seconds = key(
        "How long the vacuum is watched before light.", 3.0, unit="s", gt=0.0, le=600.0
    )
    fall_limit_kpa_per_min: float = key(
        "Steepest change during the hold test, up or down.", 6.0, unit="kPa/min", gt=0.0, le=1000.0
    )
    vented_after_s: Seconds | None = key(
        "Time after the vacuum output goes off by which the frame is surely open to the air: "
        "the gauge's zero is then checked before the pump starts. Leave it out where the "
        "frame may keep "
        "its vacuum, or where the pump has a switch of its own.",
        None,
        unit="s",
        sample="10 s",
        gt=0.0,
        le=3600.0,
    )
    debounce_s: Seconds = key(
        "How long the vacuum may be out of its band before it is lost.",
        0.3,
        unit="s",
        ge=0.0,
        le=60.0,
    )
    false_hold_every_min: float = key(
        "Accepted false holds: one in this many minutes of light, from gauge noise taken for "
        "a falling vacuum. The noise is taken from the unit's recent exposures.",
        100_000.0,
        unit="min",
        ge=100.0,
        le=1e8,
    )
    pump_off_test_s: Seconds | None = key(
        "Where a check valve keeps the frame's vacuum while the vacuum output is off: so long it "
        "is off before light, once a hold test has passed, which shows a leak that the pump hides. "
        "Leave it out where there is none.",
        None,
        unit="s",
        sample="3 s",
        ge=1.0,
        le=60.0,
    )
    pump_off_limit_kpa_per_min: float = key(
        "Steepest fall while the pump is off in that test.", 6.0, unit="kPa/min", gt=0.0, le=1000.0
    )
    gauge_silence_s: Seconds = key(
        "Longest time without a gauge value while contact is needed.",
        0.5,
        unit="s",
        gt=0.0,
        le=60.0,
    )

    @model_validator(mode="after")
    def _band(self) -> Self:
        if self.high_kpa <= self.low_kpa:
            raise ValueError(f"high_kpa: must be greater than low_kpa = {self.low_kpa:g} kPa")
        if self.pump_off_test_s is not None and self.vented_after_s is not None:
            raise ValueError(
                "vented_after_s: a frame that keeps its vacuum while the pump is off is not "
                "vented; leave out this or pump_off_test_s"
            )
        return self


class ExposureSection(Section):
    """How an exposure is guarded."""

    guard_factor: float = key(
        "Guard time as a multiple of the predicted time.", 1.5, gt=1.0, le=10.0
    )
    max_exposure_s: Seconds = key(
        "Longest time light may be on, whatever the lamps give. The device takes no order of more "
        "than 30 min.",
        1800.0,
        unit="s",
        gt=0.0,
        le=1800.0,
    )
    silence: Literal["finish", "close"] = key(
        "What the device does when the computer stops answering. finish: continue to the "
        "target, never past the guard time. close: lamps off at once.",
        "finish",
    )
    silence_s: Seconds = key(
        "How long the host may be silent before the device acts.", 2.0, unit="s", ge=0.5, le=60.0
    )
    tolerance_pct: float = key(
        "Largest difference between platelink's own dose and the device's, as a share of the "
        "target; more ends the light.",
        1.0,
        unit="%",
        ge=0.1,
        le=10.0,
    )
    afterglow_s: Seconds = key(
        "After-glow until the unit has measured its own: seconds of full light after the "
        "lamps are switched off.",
        0.0,
        unit="s",
        ge=0.0,
        le=10.0,
    )
