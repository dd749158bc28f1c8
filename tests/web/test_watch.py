"""Figures and health of the page's process."""

from __future__ import annotations

from web.test_passing import Service, ask


def test_the_page_says_whether_the_service_answers() -> None:
    service = Service()
    assert ask(service, "GET", "/health").json() == {"ok": True, "problems": []}
    text = ask(service, "GET", "/metrics").text
    assert "platelink_page_service_up 1.0" in text and "process_cpu_seconds_total" in text
    assert {request.url.path for request in service.asked} == {"/v1/health"}
    service.broken = True
    answer = ask(service, "GET", "/health")
    assert answer.status_code == 503 and answer.json()["problems"]
    assert "platelink_page_service_up 0.0" in ask(service, "GET", "/metrics").text


def test_a_foreign_name_is_told_nothing() -> None:
    for path in ("/health", "/metrics"):
        assert ask(Service(), "GET", path, base="http://evil.example").status_code == 421


def test_the_unit_s_own_figures_come_through_the_page() -> None:
    service = Service()
    ask(service, "GET", "/api/v1/metrics")
    assert service.asked[0].url.path == "/v1/metrics"
