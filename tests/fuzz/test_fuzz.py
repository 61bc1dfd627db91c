"""Requests made up from the API's own document, to a real daemon with rides and a board. Law: no 5xx, no answer that
the document does not have, and a stranger gets nothing but refusals.

Schemathesis makes the requests: valid ones, broken ones, and chains in which an answer's numbers are used again. It
checks status, content type, schema, `Allow`, that broken data is refused and that the session is asked for.
`positive_data_acceptance` is off: a request may fit the document and still be refused in words, as a pack that is not
known is. The stream never ends, so its events are held against the document here.
"""

from __future__ import annotations

import http.client
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from daemon_process import Daemon
from ridden_bike import ridden_bike

HERE = Path(__file__).parent
STREAM = "/api/v1/live/stream"
SHORT, LONG = ("--phases", "fuzzing,stateful", "-n", "2"), ("-n", "300", "--max-time", "240")
CONFIG = """
[checks]
positive_data_acceptance.enabled = false
# As the tool has it by itself, and 413: a body may be refused for its size before it is read.
negative_data_rejection.expected-statuses = [
  "400", "401", "403", "404", "405", "406", "409", "413", "415", "422", "428", "429"
]
# A stranger who asks the pairing's address by another method is told that he is one, and no more.
[[operations]]
include-path = "/api/v1/pair"
checks.unsupported_method.enabled = false
"""
SESSION = """
[auth.openapi.session]
api_key = "{token}"
"""


@dataclass(frozen=True)
class Bike:
    """A running daemon, its API's document, and a session for each that asks: fuzzing locks the door."""

    daemon: Daemon
    document: dict[str, Any]
    cookies: list[str]

    def fuzz(self, folder: Path, seed: int, *options: str, stranger: bool = False) -> str:
        """What the tool says in the end; fails with all of it where it found anything."""
        (folder / "openapi.json").write_text(json.dumps(self.document))
        session = "" if stranger else SESSION.format(token=self.cookies[0].partition("=")[2])
        (folder / "schemathesis.toml").write_text(CONFIG + session)
        url = f"http://127.0.0.1:{self.daemon.port}"
        left_out = [] if stranger else ["--exclude-path", STREAM]
        command = [
            *(str(Path(sys.executable).with_name("schemathesis")), "--config-file", str(folder / "schemathesis.toml")),
            *("run", str(folder / "openapi.json"), "--url", url, "-H", f"Origin: {url}", "--seed", str(seed)),
            *(*left_out, "--request-timeout", "30", "--continue-on-failure", *options),
        ]
        told = {"SCHEMATHESIS_HOOKS": str(HERE / "hooks.py"), "SAGWISE_FUZZ_STRANGER": str(int(stranger))}
        done = subprocess.run(command, cwd=folder, env=os.environ | told, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
        assert self.daemon.alive(), "the daemon ended"
        return done.stdout[done.stdout.index("SUMMARY") :]


@pytest.fixture(scope="module")
def bike(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bike]:
    with ridden_bike(tmp_path_factory.mktemp("bike")) as daemon:
        cookies = [daemon.pair() for _ in range(2)]
        yield Bike(daemon, daemon.get("/openapi.json", cookies[0]), cookies)


@pytest.mark.slow
def test_a_paired_phone_that_asks_anything_gets_what_the_document_says(bike: Bike, tmp_path: Path) -> None:
    assert "Tested: 28" in bike.fuzz(tmp_path, 1, *SHORT)


@pytest.mark.slow
def test_a_stranger_that_asks_anything_gets_refusals(bike: Bike, tmp_path: Path) -> None:
    assert "Tested: 29" in bike.fuzz(tmp_path, 2, "--phases", "fuzzing", "-n", "1", stranger=True)


def events(daemon: Daemon, cookie: str, count: int) -> Iterator[Any]:
    connection = http.client.HTTPConnection("127.0.0.1", daemon.port, timeout=10)
    connection.request("GET", STREAM, headers={"Cookie": cookie})
    answer = connection.getresponse()
    while count > 0:
        line = answer.readline()
        if line.startswith(b"data: "):
            count -= 1
            yield json.loads(line[6:])
    connection.close()


@pytest.mark.slow
def test_every_event_of_the_stream_is_what_the_document_says(bike: Bike) -> None:
    schema = {"$ref": "#/components/schemas/LiveOut", "components": bike.document["components"]}
    live = jsonschema_rs.validator_for(schema)
    for state in events(bike.daemon, bike.cookies[1], 4):
        live.validate(state)
    with pytest.raises(jsonschema_rs.ValidationError):
        live.validate(state | {"rest_v": "unknown"})


@pytest.mark.long
@pytest.mark.timeout(2400)
@pytest.mark.parametrize("stranger", [False, True], ids=["paired", "stranger"])
def test_long(bike: Bike, tmp_path: Path, stranger: bool) -> None:
    print(bike.fuzz(tmp_path, 50_000, *LONG, stranger=stranger))
