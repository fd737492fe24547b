"""Requests whose head and body are at odds, written down with the status that answers them."""

import gzip

SECOND = b"GET /v1/start?smuggled=1 HTTP/1.1\r\nHost: kbapi\r\nConnection: close\r\n\r\n"
"""A request of its own if it is read as one: its answer has a unique name."""
DOCUMENT = b'{"chip": "norvane-sable-7-4820mx"}'


def post(*lines: bytes, body: bytes, path: bytes = b"/v1/submissions") -> bytes:
    head = [b"POST %s HTTP/1.1" % path, b"Host: kbapi", b"Content-Type: application/json", *lines]
    return b"\r\n".join([*head, b"", body])


def get(
    *lines: bytes, first: bytes = b"GET /health/live HTTP/1.1", host: bytes = b"kbapi"
) -> bytes:
    return b"\r\n".join([first, *([b"Host: " + host] if host else []), *lines, b"", b""])


def length(number: int) -> bytes:
    return b"Content-Length: %d" % number


def chunks(*pieces: bytes) -> bytes:
    return b"".join(b"%x\r\n%s\r\n" % (len(piece), piece) for piece in pieces) + b"0\r\n\r\n"


CHUNKED = b"Transfer-Encoding: chunked"
_EXACT = length(len(DOCUMENT))
_BOMB = gzip.compress(b"[" * 10_000_000)

IN_DOUBT: dict[str, tuple[int, bytes]] = {
    "two lengths": (400, post(_EXACT, length(len(DOCUMENT + SECOND)), body=DOCUMENT)),
    "the same length twice": (400, post(_EXACT, _EXACT, body=DOCUMENT)),
    "a list of lengths": (400, post(b"Content-Length: 34, 34", body=DOCUMENT)),
    "a length below nothing": (400, post(b"Content-Length: -5", body=DOCUMENT)),
    "a length with a sign": (400, post(b"Content-Length: +34", body=DOCUMENT)),
    "a length with an underscore": (400, post(b"Content-Length: 3_4", body=DOCUMENT)),
    "a length in base sixteen": (400, post(b"Content-Length: 0x22", body=DOCUMENT)),
    "a length in other digits": (400, post("Content-Length: ٣٤".encode(), body=DOCUMENT)),
    "length and chunks": (400, post(length(5), CHUNKED, body=chunks(DOCUMENT))),
    "chunks and length": (400, post(CHUNKED, length(5), body=chunks(DOCUMENT))),
    "chunks twice": (400, post(CHUNKED, CHUNKED, body=chunks(DOCUMENT))),
    "chunks, then none": (
        400,
        post(CHUNKED, b"Transfer-Encoding: identity", body=chunks(DOCUMENT)),
    ),
    "no chunks": (400, post(b"Transfer-Encoding: identity", _EXACT, body=DOCUMENT)),
    "nothing as encoding": (400, post(b"Transfer-Encoding:", _EXACT, body=DOCUMENT)),
    "an unknown encoding": (400, post(b"Transfer-Encoding: xchunked", body=chunks(DOCUMENT))),
    "a space before the colon": (400, post(b"Transfer-Encoding : chunked", body=chunks(DOCUMENT))),
    "an odd space": (400, post(b"Transfer-Encoding: \x0bchunked", body=chunks(DOCUMENT))),
    "chunks in HTTP/1.0": (
        400,
        post(CHUNKED, body=chunks(DOCUMENT)).replace(b"HTTP/1.1", b"HTTP/1.0"),
    ),
    "a chunk without a size": (400, post(CHUNKED, body=b"zz\r\n" + DOCUMENT + b"\r\n0\r\n\r\n")),
    "a chunk below nothing": (400, post(CHUNKED, body=b"-1\r\n" + DOCUMENT + b"\r\n0\r\n\r\n")),
    "a chunk size with a prefix": (
        400,
        post(CHUNKED, body=b"0x22\r\n" + DOCUMENT + b"\r\n0\r\n\r\n"),
    ),
    "a chunk longer than it says": (
        400,
        post(CHUNKED, body=b"5\r\n" + DOCUMENT + b"\r\n0\r\n\r\n"),
    ),
    "chunks with bare line ends": (400, post(CHUNKED, body=b"22\n" + DOCUMENT + b"\n0\n\n")),
    "a chunk with endless remarks": (
        400,
        post(CHUNKED, body=b"22;" + b"a" * 200_000 + b"\r\n" + DOCUMENT + b"\r\n0\r\n\r\n"),
    ),
    "a length after the last chunk": (
        400,
        post(CHUNKED, body=chunks(DOCUMENT)[:-2] + b"Content-Length: 5\r\nHost: x\r\n\r\n"),
    ),
    "bad chunks of a body without use": (
        404,
        post(CHUNKED, path=b"/nothing", body=b"zz\r\n" + DOCUMENT),
    ),
    "a folded line": (400, get(b"X-A: one", b" Transfer-Encoding: chunked")),
    "a folded first line": (400, get(b" X-A: one", host=b"")),
    "bare line feeds": (400, get().replace(b"\r\n", b"\n")),
    "one bare line feed": (400, get(b"X-A: b").replace(b"kbapi\r\n", b"kbapi\n")),
    "a bare return": (400, get(b"X-A: b\rX-B: c")),
    "a NUL in a value": (400, get(b"X-A: a\0b")),
    "a NUL in a name": (400, get(b"X-\0A: ab")),
    "a NUL in the path": (400, get(first=b"GET /health/live\0 HTTP/1.1")),
    "a raw letter in the path": (400, get(first="GET /health/lïve HTTP/1.1".encode())),
    "a value of 100 KB": (431, get(b"X-A: " + b"a" * 100_000)),
    "a key of 100 KB": (431, get(b"Authorization: Bearer kbk_" + b"a" * 100_000)),
    "a path of 100 KB": (414, get(first=b"GET /" + b"a" * 100_000 + b" HTTP/1.1")),
    "2,000 fields": (431, get(*[b"X-%d: a" % number for number in range(2_000)])),
    "two hosts": (400, get(b"Host: other")),
    "no host": (400, get(host=b"")),
    "a host that is none": (400, get(host=b"a b@/\\<script>")),
    "only a host as target": (400, get(first=b"GET other.example:80 HTTP/1.1")),
    "a tunnel": (404, get(first=b"CONNECT other.example:80 HTTP/1.1")),
    "a method in small letters": (400, get(first=b"get /health/live HTTP/1.1")),
    "a method with a bracket": (400, get(first=b"GE(T /health/live HTTP/1.1")),
    "a method of 5 KB": (400, get(first=b"A" * 5_000 + b" /health/live HTTP/1.1")),
    "no version": (400, b"GET /health/live\r\n\r\n"),
    "a later version": (400, get(first=b"GET /health/live HTTP/2.0")),
    "the preface of a later version": (400, b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"),
    "two empty lines first": (400, b"\r\n\r\n" + get()),
    "a field without a name": (400, get(b": a")),
    "a field without a colon": (400, get(b"abc")),
    "an unknown expectation": (400, post(_EXACT, b"Expect: 200-maybe", body=DOCUMENT)),
    "an older version that does not ask to go on": (200, get(first=b"GET /health/live HTTP/1.0")),
}
"""What is sent before `SECOND`, and the status of the one answer."""

ENDLESS: dict[str, tuple[int, bytes]] = {
    "a length beyond all need": (413, post(length(10**20), body=DOCUMENT)),
    "a length of 4,000 digits": (413, post(b"Content-Length: " + b"9" * 4_000, body=DOCUMENT)),
    "a chunk beyond all need": (408, post(CHUNKED, body=b"f" * 20 + b"\r\n" + DOCUMENT)),
}
"""Bodies without an end, before `SECOND`; the client disconnects instead."""

HIDING: dict[str, tuple[int, bytes]] = {
    "in a body without use": (200, get(length(len(SECOND))) + SECOND),
    "in a body for nothing": (404, post(length(len(SECOND)), path=b"/nothing", body=SECOND)),
    "in a body for the wrong method": (
        405,
        post(length(len(SECOND)), path=b"/v1/start", body=SECOND),
    ),
    "in chunks without a key": (
        401,
        post(CHUNKED, path=b"/v1/review/decisions", body=chunks(SECOND)),
    ),
    "in a body after a promise": (
        404,
        post(length(len(SECOND)), b"Expect: 100-continue", path=b"/nothing", body=SECOND),
    ),
    "in a body of another type": (
        415,
        post(length(len(SECOND)), body=SECOND).replace(b"application/json", b"text/html"),
    ),
    "in chunks": (400, post(CHUNKED, body=chunks(SECOND[:9], SECOND[9:]))),
    "behind a last chunk": (
        400,
        post(length(5 + len(SECOND)), CHUNKED, body=b"0\r\n\r\n" + SECOND),
    ),
}
"""What holds `SECOND` inside, and the status of the only answer."""

WHOLE: dict[str, tuple[int, bytes]] = {
    "chunks": (422, post(CHUNKED, body=chunks(DOCUMENT[:9], DOCUMENT[9:]))),
    "chunks with remarks": (422, post(CHUNKED, body=b"22;a=b\r\n" + DOCUMENT + b"\r\n0\r\n\r\n")),
    "chunks in odd letters": (
        422,
        post(b"Transfer-Encoding:\tChUnKeD", body=chunks(DOCUMENT)),
    ),
    "a field that only looks like chunks": (
        422,
        post(b"Transfer_Encoding: chunked", _EXACT, body=DOCUMENT),
    ),
    "a promise": (422, post(_EXACT, b"Expect: 100-continue", body=DOCUMENT)),
    "a packed bomb": (
        415,
        post(length(len(_BOMB)), b"Content-Encoding: gzip", body=_BOMB),
    ),
    "a whole address as target": (200, get(first=b"GET http://other.example/health/live HTTP/1.1")),
    "a star as target": (404, get(first=b"OPTIONS * HTTP/1.1")),
    "another host before the path": (404, get(first=b"GET //other.example/health/live HTTP/1.1")),
    "an unknown method": (405, get(first=b"BREW /health/live HTTP/1.1")),
    "an older version that asks to go on": (
        200,
        get(b"Connection: keep-alive", first=b"GET /health/live HTTP/1.0"),
    ),
    "another protocol": (200, get(b"Connection: Upgrade", b"Upgrade: h2c")),
    "other folders than the server's": (
        404,
        get(b"SCRIPT_NAME: /x", first=b"GET /x/health/live HTTP/1.1"),
    ),
    "two schemes": (200, get(b"X-Forwarded-Proto: https", b"X-Forwarded-Ssl: off")),
    "an address in quotes": (200, get(b"X-Forwarded-For: '; DROP TABLE submission --")),
    "ranges without end": (
        200,
        get(b"Range: bytes=" + b"5-," * 900, first=b"GET /static/kbapi.css HTTP/1.1"),
    ),
    "a key in no alphabet": (
        200,
        get(b"Authorization: Bearer kbk_\xff\xfe", first=b"GET /v1/chips HTTP/1.1"),
    ),
    "a type in open quotes": (
        422,
        post(_EXACT, body=DOCUMENT).replace(b"json\r", b'json; charset="utf-8\r'),
    ),
}
"""What is sent before `SECOND`, and the status of the answer before that of `SECOND`."""
