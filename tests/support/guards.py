"""Every guard of the page's door, and what the source looks like without it. Law: one guard, one piece of text.

`tests/api/test_guards.py` takes each away in a copy of the tree and wants a test to notice.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
API = "api/sagwise_api"
DAEMON = "daemon/sagwise_daemon"


@dataclass(frozen=True, slots=True)
class Guard:
    """name: what it sees to. text: its piece of `file`, found there once. without: what stands there instead."""

    name: str
    file: str
    text: str
    without: str = ""

    def found(self, root: Path = ROOT) -> int:
        """How often its text is in the file."""
        return (root / self.file).read_text().count(self.text)

    def remove(self, root: Path) -> None:
        """Take it away in the tree at `root`, which is a copy."""
        assert root.resolve() != ROOT, "never in the tree itself"
        file = root / self.file
        file.write_text(file.read_text().replace(self.text, self.without))


def _header(name: str, value: str) -> Guard:
    return Guard(f"header {name}", f"{API}/guard.py", f'    "{name}": "{value}",\n')


def _policy(part: str) -> Guard:
    return Guard(f"content policy {part}", f"{API}/guard.py", f"{part}; ")


HOST_AND_ORIGIN = (
    Guard(
        "Host is one of the bike's",
        f"{API}/guard.py",
        "not self._hosts.allows(host, server[0] if server else None)",
        "False",
    ),
    Guard("one Host header", f"{API}/guard.py", 'len(headers.getlist("host")) > 1 or '),
    Guard(
        "a name counts from its start",
        f"{API}/hosts.py",
        "if name in self._names:",
        "if any(name.endswith(own) for own in self._names):",
    ),
    Guard(
        "a name counts to its end",
        f"{API}/hosts.py",
        "if name in self._names:",
        "if any(name.startswith(own) for own in self._names):",
    ),
    Guard(
        "an address is the one that was called",
        f"{API}/hosts.py",
        "(literal.is_loopback or literal == _address(came_in_on))",
        "True",
    ),
    Guard("a port is a number", f"{API}/hosts.py", ' if not colon or port.isdigit() else ""'),
    Guard("brackets are closed", f"{API}/hosts.py", ' if bracket and (not rest or rest[1:].isdigit()) else ""'),
    Guard("origin of any request", f"{API}/guard.py", "if not _from_own_page(headers, host, changes):", "if False:"),
    Guard(
        "origin of a change",
        f"{API}/guard.py",
        'return same_origin(host, headers.get("origin"), fetch_site)',
        "return True",
    ),
    Guard(
        "other sites' scripts read nothing",
        f"{API}/guard.py",
        'return fetch_site in (None, "none", "same-origin") or headers.get("sec-fetch-mode") == "navigate"',
        "return True",
    ),
    Guard(
        "what the browser says of the site",
        f"{API}/hosts.py",
        'if fetch_site is not None and fetch_site != "same-origin":',
        "if False:",
    ),
    Guard("a change names its origin", f"{API}/hosts.py", 'return fetch_site == "same-origin"', "return True"),
    Guard(
        "an origin's port counts",
        f"{API}/hosts.py",
        "rest == host.strip().lower()",
        'rest.partition(":")[0] == host.strip().lower().partition(":")[0]',
    ),
    Guard(
        "an origin counts to its end",
        f"{API}/hosts.py",
        "rest == host.strip().lower()",
        "rest.startswith(host.lower())",
    ),
    Guard("an origin is of the web", f"{API}/hosts.py", 'scheme in ("http", "https") and '),
    Guard("DELETE changes", f"{API}/guard.py", '{"GET", "HEAD", "OPTIONS"}', '{"GET", "HEAD", "OPTIONS", "DELETE"}'),
    Guard("PATCH changes", f"{API}/guard.py", '{"GET", "HEAD", "OPTIONS"}', '{"GET", "HEAD", "OPTIONS", "PATCH"}'),
    Guard("POST changes", f"{API}/guard.py", '{"GET", "HEAD", "OPTIONS"}', '{"GET", "HEAD", "OPTIONS", "POST"}'),
)

_IS_PAIR = "path == PAIR_PATH if changes"
PAIRING_NEEDED = (
    Guard("pairing is needed", f"{API}/guard.py", "if not (caller.paired or open_to_all):", "if False:"),
    Guard(
        "who may look changes nothing",
        f"{API}/guard.py",
        _IS_PAIR,
        "path == PAIR_PATH or self._may_look(path, caller) if changes",
    ),
    Guard(
        "only paired phones set the time",
        f"{API}/guard.py",
        _IS_PAIR,
        'path in (PAIR_PATH, "/api/v1/time") if changes',
    ),
    Guard(
        "only paired phones acknowledge",
        f"{API}/guard.py",
        _IS_PAIR,
        'path in (PAIR_PATH, "/api/v1/alarms/acknowledge") if changes',
    ),
    Guard(
        "only paired phones change settings",
        f"{API}/guard.py",
        _IS_PAIR,
        'path == PAIR_PATH or path.startswith("/api/v1/packs") if changes',
    ),
    Guard(
        "a stranger gets the pairing page's files only",
        f"{API}/guard.py",
        "else path in self._open_paths or",
        'else path.startswith("/page/") or path in self._open_paths or',
    ),
    Guard("a stranger's front page is the pairing page", f"{API}/assets.py", "INDEX if paired else PAIR", "INDEX"),
    Guard("who looks sees no phones and changes", f"{API}/guard.py", " and not path.startswith(OWNERS_PATHS)"),
    Guard("looking is allowed by the owner", f"{API}/guard.py", "paired or self._anyone_may_look", "True"),
    Guard(
        "by default nobody looks", f"{API}/settings.py", "anyone_may_look: bool = False", "anyone_may_look: bool = True"
    ),
    Guard(
        "by default nobody looks, by the configuration",
        f"{DAEMON}/config/daemon.py",
        "anyone_may_look: bool = switch(False)",
        "anyone_may_look: bool = switch(True)",
    ),
    Guard("this machine is let in where it is wanted", f"{API}/guard.py", "self._paired_on_loopback and "),
    Guard(
        "by default this machine pairs too",
        f"{API}/settings.py",
        "paired_on_loopback: bool = False",
        "paired_on_loopback: bool = True",
    ),
    Guard("only this machine is this machine", f"{API}/guard.py", " and is_loopback(client[0])"),
    Guard(
        "what a proxy forwards is not local",
        f"{API}/guard.py",
        'forwarded = "x-forwarded-for" in headers or ',
        "forwarded = ",
    ),
    Guard("nor by the newer header", f"{API}/guard.py", ' or "forwarded" in headers'),
    Guard("a session is a known one", f"{API}/guard.py", "paired = device is not None", "paired = token is not None"),
    Guard("no web socket passes by", f"{API}/guard.py", 'if scope["type"] != "http":', "if False:"),
    Guard("a page for others needs a code", f"{DAEMON}/config/daemon.py", " and not page.loopback", " and False"),
    Guard(
        "a code has six characters",
        f"{DAEMON}/config/daemon.py",
        "text(64, None, shortest=6,",
        "text(64, None, shortest=1,",
    ),
)

CODES = (
    Guard("an empty code is none", f"{API}/pairing.py", "_digest(plain) if plain else None", "_digest(plain)"),
    Guard(
        "the code is compared",
        f"{API}/pairing.py",
        "not hmac.compare_digest(_digest(plain_code(code)), self._code)",
        "False",
    ),
    Guard("an address has a limit", f"{API}/pairing.py", "self._addresses.wait_s(address)", "0.0"),
    Guard("all addresses have one limit", f"{API}/pairing.py", ', self._all.wait_s("")', ", 0.0"),
    Guard("tries are counted", f"{API}/pairing.py", "            self._addresses.wrong(address)\n"),
    Guard("tries are counted for all", f"{API}/pairing.py", '            self._all.wrong("")\n'),
    Guard(
        "locked, the right code is refused too",
        f"{API}/pairing.py",
        "if wait_s > 0:",
        "if wait_s > 0 and plain_code(code) == '0':",
    ),
    Guard("locks grow", f"{API}/pairing.py", " * 2**entry.locks"),
    Guard(
        "a right code frees its own address only",
        f"{API}/pairing.py",
        "        self._addresses.right(address)\n",
        '        self._addresses.right(address)\n        self._all.right("")\n',
    ),
    Guard("addresses fill no memory", f"{API}/pairing.py", "if len(self._by_key) > MAX_ADDRESSES:", "if False:"),
    Guard("a proxy's word is no address", f"{API}/server.py", "proxy_headers=False", "proxy_headers=True"),
    Guard(
        "a drawn code is drawn anew",
        f"{DAEMON}/run.py",
        "secrets.randbelow(10**CODE_DIGITS)",
        "12345678",
    ),
)

SESSIONS = (
    Guard("a script cannot read the session", f"{API}/access.py", " httponly=True,"),
    Guard("other sites send no session", f"{API}/access.py", ' samesite="strict",'),
    Guard("a session is in no cache", f"{API}/access.py", '        response.headers["cache-control"] = "no-store"\n'),
    Guard(
        "only a hash of it is kept",
        f"{API}/devices.py",
        'return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()',
        "return token",
    ),
    Guard("others on the computer read no list", f"{API}/devices.py", "0o600", "0o644"),
    Guard(
        "there is an end to the phones",
        f"{API}/devices.py",
        "while len(self._by_digest) > MAX_DEVICES:",
        "while False:",
    ),
    Guard("an unused phone is forgotten", f"{API}/devices.py", " or self._unused(device)"),
    Guard("a phone that is sent away is out", f"{API}/devices.py", "        del self._by_digest[device.digest]\n"),
    Guard("and stays out after a restart", f"{API}/access.py", "        await quick.run(devices.save)\n"),
    Guard("and its open stream ends", f"{API}/stream.py", "if not self._may_look():", "if False:"),
    Guard("streams have an end too", f"{API}/stream.py", "if len(self._watchers) >= self._max:", "if False:"),
)

SECRETS = (
    Guard(
        "no code in the log",
        f"{API}/access.py",
        '"a wrong pairing code came from %s", address',
        '"a wrong pairing code came from %s: %s", address, wish.code',
    ),
    Guard("a name is one line of the log", f"{API}/access.py", r', pattern=r"^[^\x00-\x1f\x7f]*$"'),
    Guard("no hash in the list of phones", f"{API}/access.py", "name=one.name,", "name=one.digest,"),
    Guard("no code in an address", f"{API}/page/pair.html", ' method="post" action="/api/v1/pair"'),
    Guard("a code is never shown", f"{DAEMON}/config/daemon.py", ", secret=True"),
    Guard(
        "a fault tells nothing",
        f"{API}/problems.py",
        '"the bike\'s computer met a fault of its own; its log says more"',
        "repr(error)",
    ),
)

THE_REST = (
    Guard("a body has a limit", f"{API}/guard.py", "_bounded(receive), guarded", "receive, guarded"),
    Guard(
        "the page's files only",
        f"{API}/assets.py",
        "asset = self._assets.get(name)\n",
        "asset = self._assets.get(name) or (\n"
        '            Asset("", (PAGE_DIR / name).read_bytes(), b"", "-") if (PAGE_DIR / name).is_file() else None\n'
        "        )\n",
    ),
    Guard("a time is one that can be", f"{API}/access.py", "ge=EARLIEST_UNIX_S, le=LATEST_UNIX_S, "),
    Guard(
        "a network's time goes before a person's",
        f"{DAEMON}/io/clock.py",
        "if wall.trusted or self._ahead_s is None:",
        "if self._ahead_s is None:",
    ),
    Guard("no page of somebody else's scripts", f"{API}/app.py", "docs_url=None,", 'docs_url="/docs",'),
    _policy("default-src 'self'"),
    _policy("base-uri 'none'"),
    _policy("form-action 'self'"),
    _policy("frame-ancestors 'none'"),
    Guard("content policy object-src 'none'", f"{API}/guard.py", "; object-src 'none'"),
    _header("x-content-type-options", "nosniff"),
    _header("referrer-policy", "no-referrer"),
    _header("cross-origin-resource-policy", "same-origin"),
)

GUARDS = (*HOST_AND_ORIGIN, *PAIRING_NEEDED, *CODES, *SESSIONS, *SECRETS, *THE_REST)
