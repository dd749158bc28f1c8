"""The figures of all benches, in one table: where each stands, its unit, which way is better, and
its aim where one is stated."""

from __future__ import annotations

from typing import Final

from platelink.simulated.bench_audit import OPEN_MS, QUESTION_MS, WITH_SAMPLES_MS
from platelink.simulated.bench_needs import CPU_AIM_PCT, MEMORY_AIM_MB
from platelink.simulated.bench_real import LIMIT_HIGH_PCT, LIMIT_LOW_PCT
from platelink.simulated.bench_watch import WORST
from platelink.simulated.suite import Aim, Better, Figure

HIGHER, LOWER, WITHIN = Better.HIGHER, Better.LOWER, Better.WITHIN

BENCHES: Final[dict[str, tuple[tuple[str, ...], tuple[str, ...]]]] = {
    "dose": (("dose",), ("--n", "40")),
    "dose-real": (("dose", "--profile", "real"), ("--n", "60")),
    "link": (("link",), ("--n", "5000")),
    "speed": (("speed",), ()),
    "faults": (("faults",), ("--seeds", "20")),
    "lamps": (("lamps",), ("--years", "4")),
    "find": (("find",), ("--shops", "10")),
    "foretell": (("foretell",), ("--shops", "4")),
    "lag": (("lag",), ("--seconds", "2")),
    "needs": (("needs",), ("--seconds", "5")),
    "recorder": (("recorder",), ("--runs", "40")),
    "watch": (("watch",), ("--minutes", "100000", "--stated", "10")),
    "audit": (("audit",), ("--n", "2000", "--repeats", "20")),
    "group": (("group",), ("--units", "20", "--seconds", "10", "--plates", "10")),
    "stop": (("stop",), ("--seconds", "2")),
}
"""Of each: its command, and what makes it short."""

PLATE_S: Final = 1500.0
"""A plate of 25 minutes, simulated in one second."""
_COVERED = Aim(LIMIT_LOW_PCT, LIMIT_HIGH_PCT)

FIGURES: Final = (
    Figure("dose: largest error", "dose", "methods.platelink.max_error_pct", "%", LOWER,
           Aim(1.0, stated="limit_pct"), of_computer=False),
    Figure("dose: 99 % within", "dose", "methods.platelink.p99_error_pct", "%", LOWER,
           of_computer=False),
    Figure("dose: U holds, plate to plate", "dose-real", "plate_to_plate.covered_pct", "%", WITHIN,
           _COVERED, of_computer=False),
    Figure("dose: U holds, against the meter", "dose-real", "against_meter.covered_pct", "%",
           WITHIN, _COVERED, of_computer=False),
    Figure("dose: 95 % within, plate to plate", "dose-real", "plate_to_plate.within_95_pct", "%",
           LOWER, of_computer=False),
    Figure("dose: 95 % within, against the meter", "dose-real", "against_meter.within_95_pct", "%",
           LOWER, of_computer=False),
    Figure("link: frames decoded, ratio", "link", "ratio", "times", HIGHER, Aim(4.0),
           to="pymavlink's parser, payloads of the same size", of_computer=False),
    Figure("link: frames decoded", "link", "platelink_frames_per_s", "1/s", HIGHER),
    Figure("link: a frame through the session", "link", "session_us_per_frame", "us", LOWER),
    Figure("speed: whole plate", "speed", "plate_times_real_time", "times", HIGHER, Aim(PLATE_S),
           to="real time"),
    Figure("speed: exposure", "speed", "times_real_time", "times", HIGHER, to="real time"),
    Figure("speed: a frame", "speed", "us_per_frame", "us", LOWER),
    Figure("faults: promises broken", "faults", "violations", "", LOWER, Aim(0.0),
           of_computer=False),
    Figure("lamps: interval score, 28 days on", "lamps", "forecast.28.interval_score_pct", "%",
           LOWER, of_computer=False),
    Figure("lamps: day of the limit, off by", "lamps", "day_median_off_d", "days", LOWER,
           of_computer=False),
    Figure("lamps: false steps", "lamps", "steps_false_per_year", "1/year", LOWER,
           of_computer=False),
    Figure("find: within 5 % after two plates", "find", "strips.1.within_pct", "%", HIGHER,
           of_computer=False),
    Figure("find: two patches of a new lot within 5 %", "find", "two_patches.0.within_pct", "%",
           HIGHER, of_computer=False),
    Figure("depths: measurements saved", "foretell", "measurements_saved_pct", "%", HIGHER,
           of_computer=False),
    Figure("depths: outside, of the unmeasured", "foretell", "false_release_pct", "%", LOWER,
           of_computer=False),
    Figure("depths: intervals that hold, worst quarter", "foretell", "coverage_by_quarter.*",
           "%", HIGHER, of_computer=False),
    Figure("depths: top cause right", "foretell", "top_cause_right_pct", "%", HIGHER,
           of_computer=False),
    Figure("lag: 99 %, worst load", "lag", "loads.*.loop.p99_ms", "ms", LOWER,
           Aim(1.0, stated="p99_limit_ms")),
    Figure("lag: largest, worst load", "lag", "loads.*.loop.max_ms", "ms", LOWER,
           Aim(1.0, stated="max_limit_ms")),
    Figure("needs: processor of the daemon", "needs", "cpu_pct", "%", LOWER,
           Aim(CPU_AIM_PCT)),
    Figure("needs: memory", "needs", "memory_mb", "MB", LOWER,
           Aim(MEMORY_AIM_MB)),
    Figure("recorder: samples, ratio to plain", "recorder", "ratio_plain", "times", HIGHER,
           Aim(10.0), to="a script with one point in each request", of_computer=False),
    Figure("recorder: samples, ratio to batched", "recorder", "ratio_batched", "times", HIGHER,
           Aim(1.5), to="a script with thousands of lines in a request", of_computer=False),
    Figure("recorder: samples", "recorder", "platelink", "1/s", HIGHER),
    Figure("recorder: processor for a sample", "recorder", "cpu_us_per_sample", "us", LOWER),
    Figure("recorder: memory", "recorder", "rss_mb", "MB", LOWER),
    Figure("watch: aims missed", "watch", "missed.#", "", LOWER, Aim(0.0), of_computer=False),
    Figure("watch: false holds, worst kind of noise", "watch", "false_holds_per_100k_min.worst",
           "in 100,000 min", LOWER, Aim(WORST, stated="false_holds_per_100k_min.stated"),
           of_computer=False),
    Figure("watch: sudden leak of 4 kPa, delay", "watch", "delays.sudden.4 kPa.delay_s", "s",
           LOWER, of_computer=False),
    Figure("watch: creeping leak of 5 kPa/min, delay", "watch",
           "delays.creeping.5 kPa/min.delay_s", "s", LOWER, of_computer=False),
    Figure("audit: a plate", "audit", "open_ms", "ms", LOWER, Aim(OPEN_MS)),
    Figure("audit: a plate with samples", "audit", "open_with_samples_ms", "ms", LOWER,
           Aim(WITH_SAMPLES_MS)),
    Figure("audit: slowest question", "audit", "questions.*.p99_ms", "ms", LOWER,
           Aim(QUESTION_MS)),
    Figure("audit: runs brought up", "audit", "runs_a_s", "1/s", HIGHER),
    Figure("audit: on disk", "audit", "bytes_per_plate", "bytes/plate", LOWER, of_computer=False),
    Figure("audit: memory", "audit", "rss_mb", "MB", LOWER),
    Figure("group: lost", "group", "lost", "", LOWER, Aim(0.0)),
    Figure("group: 99 % readable within", "group", "lag_p99_s", "s", LOWER),
    Figure("group: the same, beside a catch-up", "group", "catch_up.lag_during.p99_s", "s", LOWER),
    Figure("group: recorder, of a core per unit", "group", "cpu_per_unit.recorder", "%", LOWER),
    Figure("group: all at once", "group", "begin_entries_a_s", "1/s", HIGHER),
    Figure("stop: 99 %, worst attack", "stop", "attacks.*.p99_ms", "ms", LOWER,
           Aim(1.0, stated="p99_limit_ms")),
    Figure("stop: refused", "stop", "attacks.*.refused", "", LOWER, Aim(0.0)),
)  # fmt: skip
