"""What is said of an attached file: its kind by its first bytes, and a name that can be shown. Pure.

The name is for people only. It is never used as a path, and neither is anything made from it.
"""

import unicodedata

LONGEST_NAME = 100
_BY_BEGINNING = ((b"\xff\xd8\xff", "image/jpeg"), (b"\x89PNG\r\n\x1a\n", "image/png"), (b"%PDF-", "application/pdf"))
PLAIN, UNKNOWN = "text/plain", "application/octet-stream"
ENDINGS = {"image/jpeg": ".jpg", "image/png": ".png", "application/pdf": ".pdf", PLAIN: ".txt", UNKNOWN: ".bin"}
"""What a file of our own naming ends in."""
_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Categories of signs that cannot be seen, or that turn the line round."""


def media_type_of(data: bytes) -> str:
    """The media type by the content, whatever the name says."""
    for beginning, found in _BY_BEGINNING:
        if data.startswith(beginning):
            return found
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return UNKNOWN
    return UNKNOWN if any(sign < " " and sign not in "\t\n\r\f" for sign in text) else PLAIN


def displayed_name(found: str) -> str:
    """The last part of a file name as it can be shown: one line, of signs that can be seen, of bounded length."""
    last = found.replace("\\", "/").rstrip("/").rpartition("/")[2]
    seen = "".join(" " if unicodedata.category(sign) in _UNSEEN else sign for sign in last)
    name = " ".join(seen.split()).strip(". ")
    if len(name) > LONGEST_NAME:
        stem, dot, ending = name.rpartition(".")
        kept = f"{dot}{ending}" if stem and len(ending) <= 10 else ""
        name = f"{name[: LONGEST_NAME - 1 - len(kept)]}…{kept}"
    return name or "without a name"
