"""Canary words planted in every place a call has; they may be on the wire, and nowhere else."""

from __future__ import annotations

import io
import logging
import traceback

import pytest

from fhir_bladder.errors import BladderError
from fhir_bladder.exchange import log
from fhir_bladder.exchange.credentials.kinds import Bearer
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.retry import Retry
from fhir_bladder.exchange.http.transport import Transport
from fhir_bladder.sandbox.hostile_http import FAULTS, HostileServer, Reply

PATH = "Patient/Canary?identifier=urn:Canary%7CCanary&Canary=1"
QUICK = Retry(attempts=2, first=0.001, longest=0.002)


@pytest.fixture
def everything_logged():
    """Every logger at DEBUG into one text, as a host program with a careless set-up would have it."""
    text = io.StringIO()
    handler = logging.StreamHandler(text)
    root = logging.getLogger()
    level = root.level
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
    logging.getLogger("urllib3").setLevel(logging.DEBUG)
    yield text
    root.removeHandler(handler)
    root.setLevel(level)
    logging.getLogger("urllib3").setLevel(logging.NOTSET)


def canary_reply(status: int, fault: str) -> Reply:
    issue = {
        "severity": "error",
        "code": "Canary Name",
        "diagnostics": "Canary 1977-05-25",
        "details": {"text": "Canary"},
    }
    headers = {"Location": "/Canary/1", "X-Canary": "Canary", "ETag": "Canary"}
    if status == 302:
        headers = {"Location": "http://hostile.example/Canary?Canary=Canary"}
    return Reply(status, {"resourceType": "OperationOutcome", "issue": [issue]}, headers, fault)


@pytest.mark.parametrize("fault", ["", *(one for one in FAULTS if not one.startswith(("stall", "drip")))])
@pytest.mark.parametrize("status", [200, 302, 401, 404, 412, 500, 503])
def test_no_error_traceback_or_log_holds_a_canary(everything_logged, status, fault):
    shown = []
    with HostileServer(lambda _: canary_reply(status, fault)) as server:
        credentials = Bearer("Canary-token", Transport(headers={"X-Key": "Canary-key"}))
        with Client(server.url, credentials, retry=QUICK, deadline=5) as c:
            for method, body in (("GET", None), ("POST", {"family": "Canary"}), ("PUT", {"family": "Canary"})):
                try:
                    answer = c.request(method, PATH, json=body, foreign=True)
                    shown += [str(answer.error("the call")), repr(answer)]
                except BladderError as error:
                    shown += [str(error), traceback.format_exc(), repr(error)]
                    # the chain behind "from None" is not printed, but a debugger or a reporter would find it
                    while error.__cause__ or error.__context__:
                        error = error.__cause__ or error.__context__
                        shown.append(str(error))
            shown.append(repr(c.credentials))
        # positive control: the canaries were there to be found
        wire = repr(server.requests)
        assert all(word in wire for word in ("urn:Canary", "Canary-token", "Canary-key", '"family":"Canary"'))
    text = "\n".join(shown) + everything_logged.getvalue()
    assert "Canary" not in text
    assert "http." in everything_logged.getvalue() or status == 302  # we did log
    assert all("\n" not in line for line in shown[:1])


def test_connection_errors_hold_no_url(everything_logged):
    with HostileServer(lambda _: Reply(200, {})) as server:
        pass
    with Client(server.url, retry=QUICK) as c:
        try:
            c.request("GET", PATH)
        except BladderError as error:
            text = str(error) + traceback.format_exc()
    assert "Canary" not in text + everything_logged.getvalue()


def test_the_log_takes_listed_fields_of_the_listed_shape_only(everything_logged):
    log.event("x.y", status=200, method="GET", name="Canary", url="http://x/Canary", reason="Canary Name", state="held")
    log.event("x.y", status="Canary", type="Patient", method="GET Canary", count=True)
    text = everything_logged.getvalue()
    assert "Canary" not in text
    assert "x.y status=200 method=GET reason=[hidden] state=held" in text
    assert "x.y status=[hidden] type=Patient method=[hidden] count=[hidden]" in text
