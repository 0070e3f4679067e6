"""A new second factor as a person takes it over: text to type, or a picture for a camera."""

from dataclasses import dataclass

from markupsafe import Markup

from verifier.store import totp


@dataclass(frozen=True, slots=True)
class Picture:
    """The secret in groups of four, and the same as an SVG of a QR code (ISO/IEC 18004)."""

    text: str
    svg: Markup


def picture(secret: bytes | None, name: str, laboratory: str) -> Picture | None:
    """Return what a person needs to take a secret over; None when there is none."""
    if secret is None:
        return None
    import segno

    text = totp.as_text(secret)
    code = segno.make_qr(totp.as_address(secret, name, laboratory), error="m")
    svg = code.svg_inline(scale=4, border=4, dark="#000", light="#fff", title="QR code")
    groups = " ".join(text[at : at + 4] for at in range(0, len(text), 4))
    return Picture(groups, Markup(svg))  # noqa: S704  # of our own making, nothing in it is text
