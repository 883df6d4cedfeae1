"""Texts that mean harm, as people and trucks can write them, and a reader that sees what became of them."""

from __future__ import annotations

from html.parser import HTMLParser

TAG = "x-canary"

MARKUP = (
    f"<{TAG} onload=1>\"'></script><{TAG}></title>"
    "{{7*191}}${7*191}{%raw%}#{7*191} ]]><!-- javascript:x"
)
MADE = "1337"
"""What 7 times 191 would come to, were a text a template."""

FORMULAS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""What a cell begins with that spreadsheets run, wide letters too (OWASP, "CSV Injection"; from memory)."""

STEERING = (*map(chr, range(0x20)), "\x7f", *map(chr, range(0x80, 0xA0)), "\u2028", "\u2029")
"""What steers a line or a terminal: C0, C1, separators of lines and paragraphs."""

BIDI = tuple("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""What turns the order of letters about (Unicode Standard Annex 9): "gpj.exe" reads as another name."""

TEXTS = {
    "markup": MARKUP,
    "attribute": f'" autofocus onfocus=x y="\' <{TAG}',
    "header": f"NF\r\nBcc: all@northfold.example\r\nContent-Type: text/html\r\n\r\n<{TAG}>",
    "header by a bare line feed": "NF\nBcc: all@northfold.example\n\nbody",
    "header by a bare return": "NF\rBcc: all@northfold.example\r\rbody",
    "end of a mail": "NF\r\n.\r\nMAIL FROM:<x@far.example>\r\n",
    "end of an event": "x\r\nEND:VEVENT\r\nBEGIN:VALARM\r\nATTENDEE:mailto:all@northfold.example",
    "signs of a calendar": 'a;b,c:d\\n\\;"^n;VALUE=URI:https://far.example',
    "signs of a table": 'a"b,c;d\te\r\nf"',
    **{f"formula {sign!r}": f'{sign}HYPERLINK("https://far.example","x")' for sign in FORMULAS},
    "formula after blanks": " \u00a0=1+1",
    "formula on its second line": "ordinary\n=1+1",
    "formula after an apostrophe": "'=1+1",
    "control signs": "a".join(STEERING),
    "colour of a terminal": "\x1b[31mred\x1b[0m\x9b1m",
    "turned about": f"\u202egpj{''.join(BIDI)}\ufeff\u200b",
    "very long word": "w" * 3000,
    "very long wide word": "\u6f22" * 3000,
    "heaped accents": "e" + "\u0301" * 400,
    "beyond the first plane": "\U0001f69b\U000e0041\U0010ffff\ufffe",
}


class Seen(HTMLParser):
    """What a browser would make of a page: its elements, and all it would show."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.handlers: set[str] = set()
        self.text = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.handlers |= {name for name, _ in attrs if name.startswith("on")}
        self.text += "".join(value or "" for _, value in attrs)

    def handle_data(self, data: str) -> None:
        self.text += data
