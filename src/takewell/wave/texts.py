"""How is text in chunks read and written, when files do not keep to ASCII?

Conventions: a text ends at its first NUL. Standards ask for ASCII; real files hold UTF-8 or a Windows code
page, so both are tried in that order, and reading never fails. Writing keeps to ASCII.
"""

import unicodedata


def read_text(data: bytes, width: int | None = None) -> str:
    """Return the text in `data` up to its first NUL.

    `width` is the size of a fixed field: when the text fills it, a UTF-8 character cut at its end is dropped.
    """
    text = data.split(b"\0", 1)[0]
    cuts = range(4) if width is not None and len(text) >= width else range(1)
    for cut in cuts:
        try:
            return text[: len(text) - cut].decode("utf-8")
        except UnicodeDecodeError:
            continue
    try:
        return text.decode("cp1252")
    except UnicodeDecodeError:
        return text.decode("latin-1")


def ascii_bytes(text: str) -> bytes:
    """Return `text` in ASCII: accents are dropped, typographic signs replaced, the rest becomes ``?``."""
    plain = unicodedata.normalize("NFKD", text.translate(_PLAIN))
    plain = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return plain.replace("\0", " ").encode("ascii", "replace")


_PLAIN = str.maketrans({
    "–": "-", "—": "-", "−": "-", "‘": "'", "’": "'", "“": '"', "”": '"',
    "ß": "ss", "æ": "ae", "Æ": "AE", "ø": "o", "Ø": "O", "œ": "oe", "Œ": "OE", "ł": "l", "Ł": "L",
})  # fmt: skip
