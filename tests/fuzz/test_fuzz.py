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
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from daemon_process import Daemon
from ridden_bike import ridden_bike

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
STREAM = "/api/v1/live/stream"
SHORT, LONG = ("--phases", "fuzzing,stateful", "-n", "2"), ("-n", "300", "--max-time", "300")
CONFIG = """
[checks]
positive_data_acceptance.enabled = false
# As the tool has it by itself, and 413: a body may be refused for its size before it is read.
negative_data_rejection.expected-statuses = [
  "400", "401", "403", "404", "405", "406", "409", "413", "415", "422", "428", "429"
]
"""
SESSION = """
[auth.openapi.session]
api_key = "{token}"
"""


@pytest.fixture(scope="module")
def bike(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    with ridden_bike(tmp_path_factory.mktemp("bike")) as daemon:
        yield daemon


def fuzz(bike: Daemon, folder: Path, seed: int, options: tuple[str, ...], cookie: str | None) -> str:
    """What the tool reports; fails with it where it found anything. cookie: None for a stranger."""
    session = bike.pair() if cookie is None else cookie
    document = folder / "openapi.json"
    document.write_text(json.dumps(bike.get("/openapi.json", session)))
    token = "" if cookie is None else SESSION.format(token=cookie.partition("=")[2])
    (folder / "schemathesis.toml").write_text(CONFIG + token)
    device = 0 if cookie is None else bike.get("/me", cookie)["device_id"]
    url = f"http://127.0.0.1:{bike.port}"
    left_out = [] if cookie is None else ["--exclude-path", STREAM]
    command = [
        *(str(Path(sys.executable).with_name("schemathesis")), "--config-file", str(folder / "schemathesis.toml")),
        *("run", str(document), "--url", url, "-H", f"Origin: {url}", "--seed", str(seed), *left_out),
        *("--request-timeout", "30", "--continue-on-failure", *options),
    ]
    hooks = {"SCHEMATHESIS_HOOKS": str(HERE / "hooks.py"), "SAGWISE_FUZZ_DEVICE": str(device)}
    done = subprocess.run(command, cwd=folder, env=os.environ | hooks, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    assert bike.alive(), "the daemon ended"
    return done.stdout


def summary(report: str) -> str:
    return report[report.index("SUMMARY") :]


@pytest.mark.slow
def test_a_paired_phone_that_asks_anything_gets_what_the_document_says(bike: Daemon, tmp_path: Path) -> None:
    told = summary(fuzz(bike, tmp_path, 1, SHORT, bike.pair()))
    assert "Tested: 28" in told, told


@pytest.mark.slow
def test_a_stranger_that_asks_anything_gets_refusals(bike: Daemon, tmp_path: Path) -> None:
    told = summary(fuzz(bike, tmp_path, 2, ("--phases", "fuzzing", "-n", "1"), None))
    assert "Tested: 29" in told, told


def events(bike: Daemon, cookie: str, count: int) -> Iterator[Any]:
    connection = http.client.HTTPConnection("127.0.0.1", bike.port, timeout=10)
    connection.request("GET", STREAM, headers={"Cookie": cookie})
    answer = connection.getresponse()
    while count > 0:
        line = answer.readline()
        if line.startswith(b"data: "):
            count -= 1
            yield json.loads(line[6:])
    connection.close()


@pytest.mark.slow
def test_every_event_of_the_stream_is_what_the_document_says(bike: Daemon) -> None:
    cookie = bike.pair()
    document = bike.get("/openapi.json", cookie)
    schema = {"$ref": "#/components/schemas/LiveOut", "components": document["components"]}
    live = jsonschema_rs.validator_for(schema)
    for state in events(bike, cookie, 4):
        live.validate(state)
    with pytest.raises(jsonschema_rs.ValidationError):
        live.validate(state | {"rest_v": "unknown"})


@pytest.mark.long
@pytest.mark.timeout(2400)
@pytest.mark.parametrize("paired", [True, False], ids=["paired", "stranger"])
def test_long(bike: Daemon, tmp_path: Path, paired: bool) -> None:
    print(summary(fuzz(bike, tmp_path, 50_000, LONG, bike.pair() if paired else None)))
