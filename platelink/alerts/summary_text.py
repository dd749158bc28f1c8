"""The daily summary, as people read it. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from platelink.alerts.say import Say
from platelink.alerts.summary import Summary
from platelink.alerts.wording import Message, Writer


def summary_message(writer: Writer, summary: Summary, *, now_ms: int, again: bool) -> Message:
    """See the file's first line."""
    s = writer.say
    made = s.nt("one plate", "{n} plates", summary.complete)
    title = s.t("{plates}, {good} good", plates=made, good=s.number(summary.good))
    if summary.rejected:
        title += s.t(", {n} rejected", n=s.number(summary.rejected))
    parts = ["\n".join(_plates(s, summary)), "\n".join(_alarms(s, summary)),
             "\n".join(_care(s, summary))]  # fmt: skip
    if writer.page:
        parts.append(s.t("All records: {link}", link=f"{writer.page}/history"))
    return writer.of(parts, title, now_ms=now_ms, again=again)


def _plates(s: Say, summary: Summary) -> Iterator[str]:
    yield s.t("From {begin} to {end}.", begin=s.moment(summary.from_ms),
              end=s.moment(summary.until_ms))  # fmt: skip
    yield s.nt("One plate complete", "{n} plates complete", summary.complete) + s.t(
        ": {good} good, {rejected} rejected, {rest} not inspected.",
        good=s.number(summary.good), rejected=s.number(summary.rejected),
        rest=s.number(summary.complete - summary.good - summary.rejected),
    )  # fmt: skip
    if summary.broken_off:
        yield s.nt("One plate broken off.", "{n} plates broken off.", summary.broken_off)
    yield s.t("Held: {time} in all.", time=s.duration(summary.held_s))


def _alarms(s: Say, summary: Summary) -> Iterator[str]:
    if not summary.alarms:
        yield s.t("No alarm.")
        return
    yield s.t("Alarms, and how long each stood:")
    for one in summary.alarms:
        times = s.nt("once", "{n} times", one.times) if one.times else s.t("from before")
        yield f"- {s.word(one.alarm)}: {times}, {s.duration(one.stood_s)}"


def _care(s: Say, summary: Summary) -> Iterator[str]:
    if summary.burn_h is None:
        yield s.t("Lamps: nothing is known of them.")
    else:
        lamps = s.t("Lamps: {hours} h burned", hours=s.number(float(round(summary.burn_h))))
        if summary.lamps_until_ms is not None:
            yield lamps + s.t("; they are expected to be too weak from {day} on.",
                              day=s.day(summary.lamps_until_ms))  # fmt: skip
        else:
            yield lamps + s.t("; when they will be too weak is not known yet.")
    if not summary.due:
        yield s.t("No calibration is due soon.")
    for one in summary.due:
        yield s.t("Calibration of {sensor}: due on {day}.", sensor=s.word(one.sensor),
                  day=s.date(one.due_on))  # fmt: skip
