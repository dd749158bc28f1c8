"""The dashboards, from one unit to all recorders. Data only.

Names of samples, starts and ends are those of ``docs/publishing.md``; ``platelink_unit_`` and
``platelink_recorder_`` are scraped, ``docs/monitoring.md``.
"""

from __future__ import annotations

from typing import Final

from platelink.dashboards.panel import Board, Colour, Kind, Limit, Panel

OF: Final = 'site="$site",unit="$unit"'
MW, MJ, KPA, PCT = "suffix: mW/cm²", "suffix: mJ/cm²", "suffix: kPa", "percent"
FADED_PCT: Final = -20.0
"""Common practice, no source: lamps this far down are due."""
OVEN_C: Final = (55.0, 69.0)
VACUUM_KPA: Final = 56.0
INVENTED: Final = "The limit is invented: set that of your recipes."
LAG_S: Final = 60.0


def newest(name: str, more: str = "") -> str:
    """The value of each series within what is shown: starts and ends have one each."""
    return f"last_over_time(platelink_{name}{{{OF}{more}}}[$__range])"


def stat(title: str, query: str, unit: str = "short", **more: object) -> Panel:
    """A number."""
    given = {"width": 6, **more}
    return Panel(title=title, query=query, unit=unit, kind=Kind.STAT, **given)  # type: ignore[arg-type]


def table(title: str, query: str, unit: str, legend: str = "{{run}}", **more: object) -> Panel:
    """A row for each run."""
    return Panel(title=title, query=query, unit=unit, legend=legend, kind=Kind.TABLE, **more)  # type: ignore[arg-type]


IRRADIANCE = Panel(
    title="Irradiance at the plate", query=f"platelink_irradiance_mw_cm2{{{OF}}}", unit=MW,
    legend="{{step}}",
)  # fmt: skip
DOSE = Panel(
    title="Dose of the exposure", query=f"platelink_dose_mj_cm2{{{OF}}}", unit=MJ,
    legend="{{step}}",
)  # fmt: skip
VACUUM = Panel(
    title="Contact vacuum, below the local atmosphere", query=f"platelink_vacuum_kpa{{{OF}}}",
    unit=KPA, legend="{{step}}", about=INVENTED,
    limits=(Limit(VACUUM_KPA, Colour.ATTENTION, below=True),),
)  # fmt: skip
OVEN = Panel(
    title="Oven air", query=f"platelink_oven_c{{{OF}}}", unit="celsius", legend="{{step}}",
    about=INVENTED, limits=(Limit(OVEN_C[1], Colour.ATTENTION),),
)  # fmt: skip
HEAD = Panel(
    title="Sensor head", query=f"platelink_head_c{{{OF}}}", unit="celsius", legend="{{step}}"
)
LINK = stat(
    "Link to the device", f"platelink_unit_link_up{{{OF}}}", about="1: up.",
    legend="link", limits=(Limit(1, Colour.ALARM, below=True),),
)  # fmt: skip
OPEN_ALARMS = table(
    "Alarms that are not normal", f"platelink_unit_alarm{{{OF}}}", "short", "{{alarm}} {{state}}"
)
DOSE_ERROR = table(
    "Dose against target, as this sensor reads",
    f"100 * ({newest('run_end_dose_mj_cm2')} / on(site, unit, run, step) "
    f"{newest('run_start_target_dose_mj_cm2')} - 1)",
    PCT, decimals=3, about="The controller's own aim is 0.1 %.",
    limits=(Limit(0.1, Colour.ATTENTION), Limit(-0.1, Colour.ATTENTION, below=True)),
)  # fmt: skip
ENDS = stat(
    "Runs by how they ended",
    f"sum by (state) (count_over_time(platelink_run_end_samples{{{OF}}}[$__range]))",
    legend="{{state}}", width=12,
)  # fmt: skip
MISSING = stat(
    "Samples of finished runs that the store lacks",
    f"sum({newest('run_end_samples')}) - "
    f"(sum(count_over_time(platelink_sample{{{OF}}}[$__range])) or vector(0))",
    about="Or a run began before what is shown. Samples of a run under way hide as many that are "
    "missing: look while none is.",
    legend="missing",
    limits=(Limit(1, Colour.ATTENTION),),
)  # fmt: skip

LIVE = Board("platelink-unit", "Unit, live", "One exposure unit as it is now.", (
    LINK,
    stat("Light", f"platelink_unit_light_on{{{OF}}}", about="1: on.", legend="light"),
    stat("Plates in progress", f"platelink_unit_plates_in_progress{{{OF}}}", legend="plates"),
    stat("Waits for the broker", f"platelink_unit_publisher_lag_seconds{{{OF}}}", "s",
         legend="lag", limits=(Limit(LAG_S, Colour.ATTENTION),)),
    IRRADIANCE, DOSE, VACUUM, OVEN, HEAD, OPEN_ALARMS,
    stat("Events", f"sum by (name) (count_over_time(platelink_event_count{{{OF}}}[$__range]))",
         legend="{{name}}", width=24),
))  # fmt: skip
EXPOSURE = Board("platelink-exposure", "Exposures", "What exposures gave, and how.", (
    IRRADIANCE, DOSE, VACUUM, DOSE_ERROR,
    table("Our dose against the device's",
          f"100 * ({newest('run_end_dose_mj_cm2')} / ignoring(__name__) "
          f"{newest('run_end_device_dose_mj_cm2')} - 1)",
          PCT, decimals=3, about="Two integrations of the same light.",
          limits=(Limit(0.5, Colour.ALARM), Limit(-0.5, Colour.ALARM, below=True))),
    table("Light time", newest("run_end_light_s"), "s", decimals=1),
    ENDS,
    table("Frames lost in a run", newest("run_end_gaps"), "short"),
), hours=24.0, refresh_s=60)  # fmt: skip
LAMPS = Board("platelink-lamps", "Lamps", "How much light the lamps give.", (
    table("Mean irradiance of each exposure",
          f"{newest('run_end_dose_mj_cm2')} / ignoring(__name__) ({newest('run_end_light_s')} > 0)",
          MW, decimals=2, about="Dose by light time: mJ/cm² by s is mW/cm²."),
    Panel(title="Mean irradiance by step, of a day",
          query=f"sum by (step) (sum_over_time(platelink_run_end_dose_mj_cm2{{{OF}}}[1d])) / "
          f"sum by (step) (sum_over_time(platelink_run_end_light_s{{{OF}}}[1d]))",
          unit=MW, legend="{{step}}"),
    stat("Light time in what is shown",
         f"sum(sum_over_time(platelink_run_end_light_s{{{OF}}}[$__range]))", "s", legend="light"),
    stat("Burn hours of the set", f"platelink_unit_lamp_burn_seconds{{{OF}}}", "s",
         legend="burned", decimals=1),
    stat("Change since the set began", f"platelink_unit_lamp_change_percent{{{OF}}}", PCT,
         legend="{{channel}}", decimals=1,
         limits=(Limit(FADED_PCT, Colour.ATTENTION, below=True),)),
    stat("Too weak for the longest step in",
         f"platelink_unit_lamp_end_timestamp_seconds{{{OF}}} - time()", "s", legend="time left",
         limits=(Limit(14 * 86400.0, Colour.ATTENTION, below=True),)),
    HEAD, IRRADIANCE,
), hours=168.0, refresh_s=300)  # fmt: skip
ALARMS = Board("platelink-alarms", "Leaks and alarms", "What called for a person, and leaks.", (
    OPEN_ALARMS,
    table("Alarms raised",
          "sum by (alarm, priority) (count_over_time(platelink_event_count{"
          f'{OF},name="alarm",state="unacknowledged"}}[$__range]))', "short",
          "{{alarm}} {{priority}}"),
    Panel(title="Alarms raised in an hour",
          query="sum by (priority) (count_over_time(platelink_event_count{"
          f'{OF},name="alarm",state="unacknowledged"}}[1h]))', unit="short",
          legend="{{priority}}"),
    VACUUM,
    stat("Leaks found",
         f'sum by (alarm) (count_over_time(platelink_event_count{{{OF},alarm=~"contact.*",'
         'state="unacknowledged"}[$__range]))', legend="{{alarm}}", width=12,
         limits=(Limit(1, Colour.ATTENTION),)),
    stat("Not acknowledged", f"platelink_unit_alarms_unacknowledged{{{OF}}}", legend="alarms",
         width=12, limits=(Limit(1, Colour.ATTENTION),)),
), hours=24.0, refresh_s=30)  # fmt: skip
BAKE = Board("platelink-oven", "Oven", "Bakes and the oven's air.", (
    OVEN,
    Panel(title="Oven air, lowest and highest of ten minutes",
          query=f"max by (step) (max_over_time(platelink_oven_c{{{OF}}}[10m])) - "
          f"min by (step) (min_over_time(platelink_oven_c{{{OF}}}[10m]))",
          unit="suffix: K", legend="{{step}}"),
    stat("Samples above the limit",
         f"sum(count_over_time((platelink_oven_c{{{OF}}} > {OVEN_C[1]:g})[$__range:10s])) or "
         "vector(0)", about=INVENTED + " Looked at every 10 s.", legend="above",
         limits=(Limit(1, Colour.ATTENTION),)),
    stat("Oven now", f"platelink_unit_oven_celsius{{{OF}}}", "celsius", decimals=1, legend="air"),
    stat("Oven alarms",
         f'sum by (alarm) (count_over_time(platelink_event_count{{{OF},alarm=~"oven.*",'
         'state="unacknowledged"}[$__range])) or vector(0)', legend="{{alarm}}", width=12),
    table("Bakes by how they ended", newest("run_end_samples", ',step=~".*bake.*|.*dry.*"'),
          "short", "{{run}} {{state}}", about="Steps named so; samples of each."),
), hours=24.0, refresh_s=60)  # fmt: skip
QUALITY = Board("platelink-quality", "Quality", "What doses are worth, and what is missing.", (
    DOSE_ERROR,
    table("Among plates of this place, month and calibration, ± (k = 2)",
          newest("run_end_plate_to_plate_pct"), PCT, decimals=2),
    table("Against the reference meter, ± (k = 2)", newest("run_end_against_meter_pct"), PCT,
          decimals=1),
    ENDS, MISSING,
    stat("Plates that were not finished",
         f'sum(count_over_time(platelink_run_end_samples{{{OF},step="plate",'
         'state!="complete"}[$__range])) or vector(0)', legend="plates",
         limits=(Limit(1, Colour.ATTENTION),)),
    table("Calibration due in",
          f"platelink_unit_calibration_due_timestamp_seconds{{{OF}}} - time()", "s", "{{sensor}}",
          limits=(Limit(0.0, Colour.ALARM, below=True),
                  Limit(14 * 86400.0, Colour.ATTENTION, below=True))),
), hours=168.0, refresh_s=300)  # fmt: skip
FLEET = Board("platelink-fleet", "All units", "Every unit of a site.", (
    table("Link", 'platelink_unit_link_up{site="$site"} or on (site, unit) '
          '0 * last_over_time(platelink_unit_link_up{site="$site"}[$__range])', "short", "{{unit}}",
          about="1: up. 0: down, or nothing is said of it any more.",
          limits=(Limit(1, Colour.ALARM, below=True),)),
    table("Light", 'platelink_unit_light_on{site="$site"}', "short", "{{unit}}"),
    table("Alarms not acknowledged", 'platelink_unit_alarms_unacknowledged{site="$site"}', "short",
          "{{unit}}", limits=(Limit(1, Colour.ATTENTION),)),
    table("Waits for the broker", 'platelink_unit_publisher_lag_seconds{site="$site"}', "s",
          "{{unit}}", limits=(Limit(LAG_S, Colour.ATTENTION),)),
    Panel(title="Plates finished in a day",
          query='sum by (unit) (count_over_time(platelink_run_end_samples{site="$site",'
          'step="plate",state="complete"}[1d]))', unit="short", legend="{{unit}}"),
    Panel(title="Irradiance", query='max by (unit) (platelink_irradiance_mw_cm2{site="$site"})',
          unit=MW, legend="{{unit}}"),
    table("Runs that were interrupted",
          'sum by (unit) (count_over_time(platelink_run_end_samples{site="$site",'
          'state="interrupted"}[$__range]))', "short", "{{unit}}"),
    table("Last heard by a recorder",
          'time() - max by (unit) (platelink_recorder_heard_timestamp_seconds{site="$site"})', "s",
          "{{unit}}"),
), unit=False, hours=24.0, refresh_s=30)  # fmt: skip
RECORDER = Board("platelink-recorder", "Recorders", "From the broker into the store.", (
    stat("Broker", "platelink_recorder_connected", about="1: connected.", legend="{{recorder}}",
         limits=(Limit(1, Colour.ALARM, below=True),)),
    stat("Behind", "platelink_recorder_lag_seconds", "s", legend="{{recorder}}",
         limits=(Limit(LAG_S, Colour.ATTENTION),)),
    stat("Dead letters", "platelink_recorder_dead_letters_total", legend="{{recorder}}",
         limits=(Limit(1, Colour.ATTENTION),)),
    stat("Rows dropped by the store", "platelink_recorder_store_rows_refused",
         legend="{{recorder}}", limits=(Limit(1, Colour.ALARM),)),
    Panel(title="Messages a second", query="rate(platelink_recorder_received_total[5m])",
          unit="suffix: /s", legend="{{recorder}}"),
    Panel(title="Rows that wait", query="platelink_recorder_rows_pending", unit="short",
          legend="{{recorder}}"),
    Panel(title="Rows not yet surely kept", query="platelink_recorder_rows_unconfirmed",
          unit="short", legend="{{recorder}}"),
    Panel(title="Duplicates a second", query="rate(platelink_recorder_duplicates_total[5m])",
          unit="suffix: /s", legend="{{recorder}}"),
    Panel(title="Processor", query='rate(process_cpu_seconds_total{job=~"platelink.*"}[5m])',
          unit="percentunit", legend="{{job}} {{instance}}"),
    Panel(title="Memory", query='process_resident_memory_bytes{job=~"platelink.*"}', unit="bytes",
          legend="{{job}} {{instance}}"),
), unit=False, hours=6.0, refresh_s=30)  # fmt: skip

BOARDS: Final = (LIVE, EXPOSURE, LAMPS, ALARMS, BAKE, QUALITY, FLEET, RECORDER)
