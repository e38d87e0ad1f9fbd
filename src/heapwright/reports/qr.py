"""The square code on a stake or sheet that opens a pile's page on a phone."""

from __future__ import annotations

import io


def qr_svg(url: str) -> str:
    """Return the QR code of an address as SVG.

    A quarter of it may be covered with mud and it still reads (error level Q).

    Raises
    ------
    segno.DataOverflowError
        If the address is too long for a code (over 1,600 characters).
    """
    import segno

    made = io.BytesIO()
    segno.make_qr(url, error="q", boost_error=False).save(made, kind="svg", border=2, scale=4)
    return made.getvalue().decode("utf-8")
