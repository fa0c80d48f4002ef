"""What a report says of itself to a machine: ISO 16684-1 (XMP), with the part and level of ISO 19005-3 (PDF/A-3) it keeps to."""

from __future__ import annotations

from datetime import UTC, datetime
from xml.sax.saxutils import escape

__all__ = ["COMPLIANCE", "xmp"]

#: PDF/A-3 with every letter mapped to Unicode: it reads the same in decades, and other files may stand in it.
COMPLIANCE = "PDF/A-3U"
_XMP = """<x:xmpmeta xmlns:x="adobe:ns:meta/">
  <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
    <rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/"
        xmlns:pdf="http://ns.adobe.com/pdf/1.3/" xmlns:pdfaid="http://www.aiim.org/pdfa/ns/id/">
      <pdfaid:part>3</pdfaid:part>
      <pdfaid:conformance>U</pdfaid:conformance>
      <dc:title><rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li></rdf:Alt></dc:title>
      <dc:language><rdf:Bag><rdf:li>{language}</rdf:li></rdf:Bag></dc:language>
      <xmp:CreatorTool>{creator}</xmp:CreatorTool>
      <xmp:CreateDate>{at}</xmp:CreateDate>
      <xmp:ModifyDate>{at}</xmp:ModifyDate>
      <xmp:MetadataDate>{at}</xmp:MetadataDate>
    </rdf:Description>
  </rdf:RDF>
</x:xmpmeta>"""


def xmp(title: str, language: str, creator: str, at: datetime) -> str:
    """The packet's content; ``at`` is the only time in it, so that one signed visit always gives the same bytes."""
    moment = at.astimezone(UTC).isoformat(timespec="seconds")
    return _XMP.format(title=escape(title), language=escape(language), creator=escape(creator), at=moment)
