"""Make untrusted text safe for a terminal, a page and a log line."""

LINE_CHARACTERS = 300
ELLIPSIS = "…"


def printable(text: str, *, lines: bool = False) -> str:
    r"""Return the text with what is not printable as escapes such as ``\x1b``; with `lines` line feeds stay."""
    if lines:
        return "\n".join(map(printable, text.split("\n")))
    if text.isprintable():
        return text
    # C0 and C1 controls drive a terminal (ECMA-48), format characters turn text around (Unicode bidi controls), and a
    # lone surrogate cannot be encoded.
    return "".join(c if c.isprintable() else _escape(c) for c in text)


def one_line(text: str, most: int = LINE_CHARACTERS) -> str:
    """Return the text as one printable line of at most `most` characters, cut in the middle."""
    return shorten(printable(text), most)


def shorten(text: str, most: int) -> str:
    """Return the text cut in the middle to at most `most` characters: beginning and end say most."""
    if len(text) <= most:
        return text
    begin = (most - 1) // 2
    return text[:begin] + ELLIPSIS + text[len(text) - (most - 1 - begin) :]


def _escape(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")
