"""Counters for a service, and one line of health."""

from __future__ import annotations

from pathlib import Path

from prometheus_client.openmetrics.parser import text_string_to_metric_families

from tests.logbook_samples import fill, make_verdict, start


def test_counters_are_openmetrics_text(place) -> None:
    """Outside check: the parser of the prometheus_client library reads them."""
    book = start(place.address, place.images)
    visit = fill(book)
    book.put_verdicts(visit, [make_verdict("C-1", "defect"), make_verdict("C-2")])
    book.sign(visit, "Ada Example")
    families = {f.name: f for f in text_string_to_metric_families(book.counters())}
    values = {name: f.samples[0].value for name, f in families.items()}
    assert values["photo_audit_visits"] == values["photo_audit_visits_signed"] == 1
    assert values["photo_audit_photos"] == values["photo_audit_images"] == 6
    assert values["photo_audit_image_bytes"] == sum(p.size_bytes for p in book.photos(visit))
    cameras = {s.labels["state"]: s.value for s in families["photo_audit_cameras"].samples}
    assert cameras == {"defect": 1, "to check": 0, "not verified": 0, "as planned": 1}


def test_an_empty_logbook_counts_nothing_and_is_well(place) -> None:
    book = start(place.address, place.images)
    assert "photo_audit_photos 0\n" in book.counters()
    well, line = book.health()
    assert well and "0 visits" in line


def test_health_says_what_is_wrong(place) -> None:
    book = start(place.address, place.images)
    visit = fill(book, cameras=1)
    for photo in book.photos(visit):
        Path(book.images.location(photo.sha256)).unlink()
    well, line = book.health()
    assert not well and "image" in line and "\n" not in line
