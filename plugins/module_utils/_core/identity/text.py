# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The one gate for text that a drive reports about itself.

Vendor, product, serial number and firmware come from the drive, not from a person: they
may hold quotes, newlines, C($(...)), markup or bytes of any kind. What has passed here is
safe, without further escaping, in a udev rule, a command's argument, HTML, a metric label
and a file name.
"""

from __future__ import annotations

import hashlib
import re

_FORBIDDEN = re.compile(r"[^A-Za-z0-9_.:-]")
_LONGEST = 64
_PADDING = b" \0"


def clean(raw: bytes) -> str:
    """Allowed text for the bytes a drive reported; empty when they are only padding.

    Blanks and NULs around the text go (SPC pads fields with them). Letters, digits and
    C(- _ . :) stay, a blank inside becomes C(_) as udev writes it. Where anything else had to
    become C(_), or the first character is not a letter or digit, or the text is longer than 64
    characters, eight hex digits of the original's SHA-256 are appended, so that different
    originals stay different.
    """
    kept = raw.strip(_PADDING)
    original = kept.decode("latin-1")
    text = _FORBIDDEN.sub("_", original)
    if not text or (len(text) <= _LONGEST and text[0].isalnum() and original in (text, text.replace("_", " "))):
        return text
    body = text if text[0].isalnum() else "x" + text
    return "{0}-{1}".format(body[: _LONGEST - 9], hashlib.sha256(kept).hexdigest()[:8])


def clean_text(text: str) -> str:
    """`clean` for text that udev or the kernel handed over, undecodable bytes escaped."""
    return clean(text.encode("utf-8", "surrogateescape"))
