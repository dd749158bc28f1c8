"""Every view, with what the unit does meanwhile: for tests that go through all of them."""

from __future__ import annotations

from typing import Any, NamedTuple

from browser import documents as d


class View(NamedTuple):
    """One view as somebody sees it."""

    name: str
    path: str
    status: dict[str, Any]
    role: str | None = "lead"


VIEWS = (
    View("idle", "/", d.status()),
    View("ready", "/", d.status(d.READY), "operator"),
    View("waiting", "/", d.status(d.WAITING)),
    View("light", "/", d.status(d.LIGHT, d.OVEN)),
    View("held", "/", d.status(d.HELD, alarms=d.ALARMS)),
    View("bath", "/", d.status(d.BATH), "operator"),
    View("washout", "/", d.status(d.WASH, d.OVEN)),
    View("overdue", "/", d.status(d.WASH_DUE, d.OVEN)),
    View("oven", "/", d.status(d.OVEN)),
    View("inspect", "/", d.status(d.INSPECT)),
    View("plates", "/plates", d.status(d.LIGHT, d.OVEN)),
    View("new", "/plates/new", d.status()),
    View("alarms", "/alarms", d.status(d.HELD, alarms=d.ALARMS)),
    View("history", "/history", d.status()),
    View("record", "/records/P-1039", d.status()),
    View("run", "/records/20260302-100200-aaaa", d.status()),
    View("run over another", "/records/20260302-100200-aaaa?over=20260302-100200-aaaa", d.status()),
    View("history, narrowed", "/history?verdict=good&alarm=contact+lost", d.status()),
    View("ask", "/ask", d.status()),
    View(
        "asked",
        "/ask?text=roller&operator=b.+example&where=vacuum+below+50+kPa+for+2+s"
        "&between=P-1031&between=P-1039",
        d.status(),
    ),
    View("asked, not narrowed", "/ask?limit=100", d.status(), "operator"),
    View("ask, two", "/ask/compare", d.status()),
    View("compared", "/ask/compare?plate=P-1039&plate=P-1031", d.status()),
    View("ask, sensor", "/ask/sensor", d.status()),
    View("sensor", "/ask/sensor?sensor=light+0&since=2026-03-02", d.status()),
    View(
        "sensor, corrected", "/ask/sensor?sensor=light+0&since=2026-03-02&factor=1.03", d.status()
    ),
    View("trends", "/trends", d.status()),
    View("recipes", "/recipes", d.status()),
    View("recipe", "/recipes/plate-a-fine@3", d.status()),
    View("diff", "/recipes/diff?a=plate-a-fine@2&b=plate-a-fine@3", d.status()),
    View("stock", "/stock", d.status()),
    View("unit", "/unit", d.status()),
    View("calibrations", "/calibrations", d.status()),
    View("calibration, being read", "/calibrations/light%200@3", d.status(), "operator"),
    View("calibration, in force", "/calibrations/light%200@2", d.status()),
    View("experiments", "/experiments", d.status()),
    View("experiment, told", "/experiments/wedge-1", d.status()),
    View("experiment, being read", "/experiments/wedge-2?dose=450", d.status(), "operator"),
    View("experiment, cannot tell", "/experiments/depth-1", d.status()),
    View("experiment, bed", "/experiments/bed-1", d.status()),
    View("people", "/people", d.status()),
    View("people, not a lead", "/people", d.status(), "operator"),
    View("sign-in", "/sign-in", d.status(), None),
)
