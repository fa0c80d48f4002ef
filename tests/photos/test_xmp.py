"""Properties of an XMP packet."""

from __future__ import annotations

import pytest
from hostile_files import XMP_WITH_ENTITIES

from audit.photos.xmp import read_xmp

HEAD = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
TAIL = b"</rdf:RDF></x:xmpmeta>"
EXIF = b'xmlns:exif="http://ns.adobe.com/exif/1.0/"'


def test_attribute_element_and_list_forms_read_alike() -> None:
    attribute = HEAD + b"<rdf:Description " + EXIF + b' exif:UserComment="TH-02"/>' + TAIL
    element = (
        HEAD + b"<rdf:Description " + EXIF + b"><exif:UserComment>TH-02</exif:UserComment></rdf:Description>" + TAIL
    )
    listed = element.replace(b">TH-02<", b'><rdf:Alt><rdf:li xml:lang="x-default">TH-02</rdf:li></rdf:Alt><')
    for packet in (attribute, element, listed):
        assert read_xmp(packet) == ({"exif:UserComment": "TH-02"}, ())


def test_prefixes_are_the_file_s_own_business() -> None:
    packet = HEAD + b'<rdf:Description xmlns:q="http://ns.adobe.com/exif/1.0/" q:GPSLatitude="46,30.0N"/>' + TAIL
    assert read_xmp(packet)[0] == {"exif:GPSLatitude": "46,30.0N"}


def test_unknown_properties_are_passed_over() -> None:
    packet = HEAD + b'<rdf:Description xmlns:q="urn:q" q:GPSLatitude="46,30.0N"/>' + TAIL
    assert read_xmp(packet) == ({}, ())


@pytest.mark.parametrize(
    ("packet", "says"),
    [
        (XMP_WITH_ENTITIES, "entities"),
        (b"<!DOCTYPE x><x/>", "document type"),
        (HEAD, "damaged"),
        (b"\xff\xfe<\x00", "damaged"),
        (b" " * (1 << 20) + b"<x/>", "too long"),
    ],
)
def test_packet_that_is_not_read_is_noted(packet: bytes, says: str) -> None:
    found, notes = read_xmp(packet)
    assert found == {}
    assert len(notes) == 1
    assert says in notes[0]


def test_padding_is_nothing() -> None:
    assert read_xmp(b"\x00" * 100 + b" \n") == ({}, ())
