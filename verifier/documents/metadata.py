"""What a PDF file says of itself, as XMP (ISO 16684-1)."""

from datetime import UTC, datetime
from html import escape

_FORM = """<x:xmpmeta xmlns:x="adobe:ns:meta/">
<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/"
  xmlns:pdf="http://ns.adobe.com/pdf/1.3/" xmlns:pdfaid="http://www.aiim.org/pdfa/ns/id/"
  xmlns:xmp="http://ns.adobe.com/xap/1.0/">
<pdfaid:part>2</pdfaid:part>
<pdfaid:conformance>U</pdfaid:conformance>
<dc:format>application/pdf</dc:format>
<dc:language><rdf:Bag><rdf:li>en</rdf:li></rdf:Bag></dc:language>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li></rdf:Alt></dc:title>
<pdf:Producer>{producer}</pdf:Producer>
<xmp:CreatorTool>verifier</xmp:CreatorTool>
<xmp:CreateDate>{made}</xmp:CreateDate>
<xmp:ModifyDate>{made}</xmp:ModifyDate>
</rdf:Description>
</rdf:RDF>
</x:xmpmeta>"""


def metadata(title: str, made: datetime, producer: str) -> str:
    """Return the metadata of a file; the time of making is the only time in it."""
    at = made.astimezone(UTC).isoformat(timespec="seconds")
    return _FORM.format(title=escape(title), producer=escape(producer), made=at)
