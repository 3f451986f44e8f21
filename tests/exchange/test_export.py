"""Bulk export against the bulk server model: every fault, one by one; what the folder holds afterwards."""

from __future__ import annotations

import email.utils
import hashlib
import json
import os
import stat
import time
from pathlib import Path

import pytest
from fhir_bladder_test_exports import data_files, tombstones

from fhir_bladder import wire
from fhir_bladder.errors import ConfigError, InputError, ServerError, UnfinishedError
from fhir_bladder.exchange.credentials.kinds import Bearer
from fhir_bladder.exchange.export import ledger as ledgers
from fhir_bladder.exchange.export.engine import Export, ExportOptions
from fhir_bladder.exchange.export.ledger import read_ledger
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.limits import Limits
from fhir_bladder.exchange.http.retry import Deadline, Retry
from fhir_bladder.sandbox.bulk_model import FATAL, TRANSIENT, BulkModel, busy
from fhir_bladder.sandbox.hostile_http import HostileServer, Reply

QUICK = Retry(attempts=4, first=0.0005, longest=0.001)


class Bench:
    """A model behind a server, a client, a folder; and the question whether the folder equals the model."""

    def __init__(self, tmp_path: Path, **options) -> None:
        self.model = BulkModel(**options)
        self.model.fill(20)
        self.server = HostileServer(self.model)
        self.model.url = self.server.url
        self.folder = tmp_path / "out"
        self.credentials = Bearer(self.model.bearer.removeprefix("Bearer ")) if self.model.bearer else None

    def __enter__(self) -> Bench:
        self.server.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self.server.__exit__()

    def client(self, **options) -> Client:
        options.setdefault("retry", QUICK)
        return Client(self.server.url, self.credentials, deadline=20, **options)

    def export(self, *, client=None, **options):
        job = Export(client or self.client(), ExportOptions(self.folder, longest_wait=0.002, **options))
        self.events = list(job.run())
        return job.result

    def plan(self, kind: str, *replies: Reply) -> None:
        """Spoil the first requests of a kind."""
        rest = list(replies)
        self.model.faults = lambda asked, _: rest.pop(0) if asked == kind and rest else None

    def count(self, part: str) -> int:
        return sum(part in request.target for request in self.server.requests)

    def check(self, parameters=None) -> None:
        check_folder(self.folder, self.model, parameters)


def check_folder(folder: Path, model: BulkModel, parameters=None) -> None:
    """The folder equals the snapshot of one job of the model, the one whose time the ledger names, and nothing else."""
    ledger = read_ledger(folder)
    run = ledger.runs[-1]
    job = next(one for one in reversed(model.jobs.values()) if one.transaction_time == run.transaction_time)
    expected = [line for kind, _, lines in job.files if kind == "output" for line in lines]
    found = []
    for one in data_files(folder):
        if one.run == run.number:
            found += one.path.read_bytes().splitlines()
    assert found == expected
    for entry in run.files:
        data = (folder / entry.name).read_bytes()
        assert (entry.bytes, entry.lines) == (len(data), len(data.splitlines()))
        assert entry.sha256 == hashlib.sha256(data).hexdigest()
    assert not list(folder.rglob("*.part"))
    assert not (folder / ".export-state.json").exists()


def test_a_whole_export_and_its_ledger(tmp_path):
    with Bench(tmp_path) as bench:
        result = bench.export()
        bench.check()
    assert (result.state, result.exit_code, result.method) == ("complete", 0, "bulk")
    assert (result.files, result.resources) == (4, 23)
    ledger = json.loads((bench.folder / "ledger.json").read_text())
    run = ledger["runs"][0]
    assert run["transaction_time"] == bench.model.jobs[1].transaction_time
    assert [one["count"] for one in run["files"]] == [3, 7, 7, 6]
    assert run["files"][1]["types"] == {"Observation": 7}
    assert [event.id for event in bench.events] == [
        "kickoff",
        "status_progress",
        "status_complete",
        *["download_request", "download_complete"] * 4,
        "export_complete",
    ]
    # proven, then the server may forget: DELETE is the last request
    assert [request.method for request in bench.server.requests][-1] == "DELETE"
    text = "".join(path.read_text() for path in [bench.folder / "ledger.json", bench.folder / "log" / "export.ndjson"])
    assert "http" not in text
    assert bench.model.key not in text
    assert "HTEST" not in text  # X-Progress is the server's free text: only the percentage is kept


def test_files_are_private(tmp_path):
    with Bench(tmp_path) as bench:
        bench.export()
    for path in [bench.folder, *bench.folder.rglob("*")]:
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


def test_the_same_command_again_asks_nothing(tmp_path):
    with Bench(tmp_path) as bench:
        bench.export()
        asked = len(bench.server.requests)
        assert bench.export().state == "already-complete"
        assert len(bench.server.requests) == asked


@pytest.mark.parametrize("level", ["system", "patient", "group"])
@pytest.mark.parametrize("post", [False, True])
def test_levels_verbs_and_parameters(tmp_path, level, post):
    options = {"group": "ward-7"} if level == "group" else {}
    with Bench(tmp_path) as bench:
        bench.export(
            level=level,
            post=post,
            types=("Observation", "Patient"),
            type_filters=("Observation?category=imaging&code=a|b", "Observation?status=final,amended"),
            since="2026-11-01T00:00:05Z",
            until="2026-11-02T00:00:00+01:00",
            **options,
        )
    request = next(one for one in bench.server.requests if "$export" in one.target)
    assert request.headers["prefer"] == "respond-async"
    path = {"system": "/fhir/$export", "patient": "/fhir/Patient/$export", "group": "/fhir/Group/ward-7/$export"}[level]
    assert request.path == path
    if post:
        values = [(one["name"], one.get("valueString") or one.get("valueInstant")) for one in request.json["parameter"]]
        assert values == [
            ("_outputFormat", "application/fhir+ndjson"),
            ("_type", "Observation,Patient"),
            ("_typeFilter", "Observation?category=imaging&code=a|b"),
            ("_typeFilter", "Observation?status=final,amended"),
            ("_since", "2026-11-01T00:00:05Z"),
            ("_until", "2026-11-02T00:00:00+01:00"),
        ]
    else:
        assert request.target.partition("?")[2] == (
            "_outputFormat=application%2Ffhir%2Bndjson&_type=Observation,Patient"
            "&_typeFilter=Observation%3Fcategory%3Dimaging%26code%3Da%7Cb"
            "&_typeFilter=Observation%3Fstatus%3Dfinal,amended"
            "&_since=2026-11-01T00%3A00%3A05Z&_until=2026-11-02T00%3A00%3A00%2B01%3A00"
        )


def test_a_server_that_wants_post_is_asked_by_post(tmp_path):
    with Bench(tmp_path, verbs=("POST",)) as bench:
        assert bench.export(types=("Observation",)).resources == 20
        assert [method for method, _ in bench.model.asked] == ["POST"]


def test_a_server_of_the_stu4_draft_gets_each_type_by_itself(tmp_path):
    with Bench(tmp_path, verbs=("POST",), draft=True, outcome=True) as bench:
        assert bench.export(types=("Observation", "Patient")).resources == 23
        bench.check()
        assert bench.model.asked[-1][1]["_type"] == ["Observation", "Patient"]


# -- faults, one by one -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("as_date", [False, True])
@pytest.mark.parametrize("kind", ["kickoff", "status", "file"])
def test_busy_servers_are_waited_for(tmp_path, kind, as_date):
    waits: list[float] = []
    replies = [busy(429, 3, as_date=as_date), busy(503, 2, as_date=as_date)]
    with Bench(tmp_path) as bench:
        bench.plan(kind, *replies)
        job = Export(bench.client(sleep=waits.append), ExportOptions(bench.folder))
        list(job.run())
        bench.check()
    assert [round(wait) for wait in waits if wait > 0.5] == [3, 2]


def test_progress_waits_are_obeyed_and_capped(tmp_path):
    waits: list[float] = []
    with Bench(tmp_path) as bench:
        bench.plan("status", busy(202, 18000, as_date=False), busy(202, 7, as_date=True))
        list(Export(bench.client(sleep=waits.append), ExportOptions(bench.folder, longest_wait=60)).run())
        bench.check()
    assert [round(wait) for wait in waits if wait > 0.5] == [60, 7]


def test_without_retry_after_the_waits_grow(tmp_path):
    waits: list[float] = []
    retry = Retry(attempts=3, first=1.0, longest=100.0)
    with Bench(tmp_path) as bench:
        bench.plan("status", *[Reply(202, b"")] * 5)
        list(Export(bench.client(sleep=waits.append, retry=retry), ExportOptions(bench.folder)).run())
    for wait, full in zip(waits, [1, 2, 4, 8, 16], strict=False):
        assert full / 2 <= wait <= full


@pytest.mark.parametrize("status", [400, 404, 500, 503])
def test_a_transient_outcome_is_no_failure(tmp_path, status):
    with Bench(tmp_path) as bench:
        bench.plan("status", Reply(status, TRANSIENT), Reply(status, TRANSIENT))
        bench.export()
        bench.check()
        assert len(bench.model.jobs) == 1


@pytest.mark.parametrize("status", [400, 500])
def test_a_job_that_failed_is_an_error_and_the_next_run_starts_anew(tmp_path, status):
    with Bench(tmp_path) as bench:
        bench.plan("status", *[Reply(status, FATAL)] * 4)
        with pytest.raises(ServerError) as caught:
            bench.export()
        assert "\n" not in str(caught.value)
        with pytest.raises(InputError, match="not finished"):
            data_files(bench.folder)
        bench.plan("status")
        bench.export()
        assert len(bench.model.jobs) == 2
        bench.check()


def test_a_lost_kickoff_answer_starts_another_job(tmp_path):
    with Bench(tmp_path) as bench:
        bench.plan("kickoff", Reply(200, fault="drop"))
        bench.export()
        assert len(bench.model.jobs) == 2
        bench.check()


def test_a_job_that_is_gone_is_started_again_and_nothing_old_stays(tmp_path):
    with Bench(tmp_path, polls=0) as bench:
        seen = []

        def faults(kind, model):
            if kind == "file":
                seen.append(kind)
                if len(seen) == 3:
                    model.lose_jobs()
            return

        bench.model.faults = faults
        bench.export()
        assert len(bench.model.jobs) == 2
        bench.check()  # the second job's data differ: a file of the first would show


def test_links_that_expire_are_asked_for_again(tmp_path):
    with Bench(tmp_path) as bench:
        seen = []

        def faults(kind, model):
            if kind == "file":
                seen.append(kind)
                if len(seen) in (2, 5):
                    model.expire_links()
            return

        bench.model.faults = faults
        bench.export()
        assert len(bench.model.jobs) == 1
        bench.check()
        assert bench.count("/files/") == 6  # four files, two of them asked for twice: none is loaded again


def test_links_past_their_expires_time_are_not_used(tmp_path):
    with Bench(tmp_path, polls=0, expires=email.utils.formatdate(time.time() + 2, usegmt=True)) as bench:
        asked = []

        def faults(kind, model):
            asked.append(kind)
            if asked.count("file") == 1 and kind == "file":
                time.sleep(2.1)  # a slow first file: afterwards the other links are over
                model.expires = ""
            return

        bench.model.faults = faults
        bench.export()
        bench.check()
    assert (asked.count("manifest"), asked.count("file")) == (2, 4)


@pytest.mark.parametrize(
    "fault", ["drop", "reset", "truncate", "truncate-chunked", "gzip-truncate", "html", "unframed-cut", "garbage"]
)
def test_a_spoilt_file_is_loaded_again(tmp_path, fault):
    with Bench(tmp_path) as bench:
        bench.plan("file", Reply(200, fault=fault))
        result = bench.export()
        assert result.exit_code == 0
        bench.check()
        assert bench.count("/files/") == 5


@pytest.mark.parametrize("counts", [True, False])
def test_a_file_cut_at_a_line_end_without_any_sign_of_it(tmp_path, counts):
    with Bench(tmp_path, counts=counts) as bench:
        first = len(wire.dumps(next(iter(bench.model.resources.values())))) + 1
        bench.plan("file", Reply(200, fault="unframed-cut", cut=first))
        assert bench.export().exit_code == 0
        bench.check()


def test_a_file_that_stays_spoilt_leaves_the_export_unfinished(tmp_path):
    with Bench(tmp_path) as bench:
        seen = []

        def faults(kind, model):
            if kind == "file":
                seen.append(kind)
                return Reply(200, fault="truncate") if len(seen) > 2 else None
            return None

        bench.model.faults = faults
        with pytest.raises(UnfinishedError) as caught:
            bench.export()
        assert caught.value.exit_code == 5
        with pytest.raises(InputError, match="not finished"):
            data_files(bench.folder)
        assert all(request.method != "DELETE" for request in bench.server.requests)
        assert not list(bench.folder.rglob("*.part"))
        loaded = bench.count("/files/")
        bench.model.faults = lambda kind, model: None
        bench.export()
        bench.check()
        assert bench.count("/files/") == loaded + 2  # resumed at the file where it stood
        assert len(bench.model.jobs) == 1


def test_a_file_changed_between_two_starts_is_loaded_again(tmp_path):
    with Bench(tmp_path) as bench:
        bench.model.faults = lambda kind, model: Reply(500) if kind == "file" and bench.count("/files/") > 3 else None
        with pytest.raises(UnfinishedError):
            bench.export()
        path = sorted(bench.folder.glob("*.ndjson"))[0]
        path.write_bytes(path.read_bytes()[:-5] + b'x"}}\n')  # same size, other bytes
        bench.model.faults = lambda kind, model: None
        bench.export()
        bench.check()


def test_manifest_pages(tmp_path):
    with Bench(tmp_path, page=2) as bench:
        bench.export()
        bench.check()
        assert bench.count("from=2") == 1


def test_a_manifest_that_loops(tmp_path):
    with Bench(tmp_path, polls=0) as bench:
        loop = {"transactionTime": "2026-11-01T00:00:00Z", "output": []}
        loop["link"] = [{"relation": "next", "url": f"{bench.server.url}/status/1"}]
        bench.plan("manifest", *[Reply(200, loop)] * 5)
        with pytest.raises(ServerError, match="loops"):
            bench.export()


BROKEN = [
    [],
    7,
    {"output": []},
    {"transactionTime": "yesterday", "output": []},
    {"transactionTime": "2026-11-01T00:00:00Z", "output": {}},
    {"transactionTime": "2026-11-01T00:00:00Z", "output": [7]},
    {"transactionTime": "2026-11-01T00:00:00Z", "output": [{"type": "Patient"}]},
    {"transactionTime": "2026-11-01T00:00:00Z", "output": [], "requiresAccessToken": "no"},
    {"transactionTime": "2026-11-01T00:00:00Z", "output": [{"type": "Patient", "url": "http://h@x/"}]},
    {"transactionTime": "2026-11-01T00:00:00Z", "output": [{"type": "Patient", "url": "http://hospital.example/f"}]},
]


@pytest.mark.parametrize("body", BROKEN)
def test_a_wrong_manifest_is_one_line(tmp_path, body):
    with Bench(tmp_path, polls=0) as bench:
        bench.plan("manifest", *[Reply(200, body)] * 9)
        with pytest.raises(ServerError) as caught:
            bench.export()
        assert "\n" not in str(caught.value)
        with pytest.raises(InputError):
            data_files(bench.folder)


def test_a_manifest_that_stays_unreadable_is_told_as_that(tmp_path):
    """Not polled until the deadline is over: the client has asked four times, and says what is wrong."""
    with Bench(tmp_path) as bench:
        bench.plan("manifest", *[Reply(200, b'{"transactionTime": "2026', {"Content-Type": "application/json"})] * 30)
        with pytest.raises(ServerError) as caught:
            bench.export()
        assert "not readable as JSON (4 tries)" in str(caught.value)
        bench.plan("manifest")
        assert bench.export().state == "complete"


def test_names_in_a_manifest_cannot_leave_the_folder(tmp_path):
    with Bench(tmp_path, polls=0) as bench:
        url = f"{bench.server.url}/files/1/0/0?key={bench.model.key}"
        body = {"transactionTime": "2026-11-01T00:00:00Z", "output": [{"type": "../../evil", "url": url}]}
        bench.plan("manifest", *[Reply(200, body)] * 2)
        bench.export()
    assert [path.name for path in bench.folder.glob("*.ndjson")] == ["Resource.001.0001.ndjson"]
    assert not list(tmp_path.glob("*evil*"))


# -- content ----------------------------------------------------------------------------------------------------------


def served(tmp_path, text: bytes, *, count=None, kind="Observation", limits=None):
    """Export one file with this content; the result, the ledger's entry, the bench."""
    with Bench(tmp_path, polls=0) as bench:
        entry = {"type": kind, "url": f"{bench.server.url}/files/1/0/0?key={bench.model.key}"}
        if count is not None:
            entry["count"] = count
        manifest = {"transactionTime": "2026-11-01T00:00:00Z", "requiresAccessToken": False, "output": [entry]}
        body = Reply(200, text, {"Content-Type": "application/fhir+ndjson"})
        replies = {"manifest": Reply(200, manifest), "file": body}
        bench.model.faults = lambda asked, model: replies.get(asked)
        result = bench.export(client=bench.client(limits=limits) if limits else None)
    return result, read_ledger(bench.folder).runs[0].files[0], bench


GOOD = b'{"resourceType":"Observation","id":"a"}\n'


def test_a_count_that_does_not_match_is_reported_and_kept(tmp_path):
    result, entry, bench = served(tmp_path, GOOD * 3, count=5)
    assert result.exit_code == 1
    assert "3 lines, the manifest says 5" in result.problems[0]
    assert (entry.lines, entry.count) == (3, 5)
    assert len(data_files(bench.folder)) == 1
    assert bench.count("/files/") == 2  # it was asked for again before it was believed
    assert all(request.method != "DELETE" for request in bench.server.requests)  # the server keeps it for a person


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (GOOD + b'{"resourceType":"Observation","id":"b', "the last line, 2, is cut off"),
        (GOOD + b'{"resourceType":"Obs\n' + GOOD, "1 line is no JSON object or too long, the first is line 2"),
        (GOOD.strip() + GOOD, "1 line is no JSON object"),
        (GOOD + b"[1]\n7\n", "2 lines are no JSON object"),
        (GOOD + b'{"resourceType":"Patient","id":"p"}\n', "1 lines are not Observation"),
        (GOOD + b'{"id":"p"}\n', "no JSON object"),
        (GOOD + b"\xff\xfe\n", "no JSON object"),
        (GOOD + b'{"resourceType":"' + b"x" * 5000 + b'"}\n' + GOOD, "too long, the first is line 2"),
    ],
)
def test_bad_lines_are_reported_and_kept(tmp_path, text, told):
    result, entry, bench = served(tmp_path, text, limits=Limits(line=1000))
    assert result.exit_code == 1
    assert told in result.problems[0]
    assert (bench.folder / entry.name).read_bytes().rstrip(b"\n") == text.rstrip(b"\n")


def test_a_last_line_without_line_end_is_whole(tmp_path):
    result, entry, bench = served(tmp_path, GOOD + GOOD.strip(), count=2)
    assert (result.exit_code, entry.lines) == (0, 2)
    assert (bench.folder / entry.name).read_bytes() == GOOD * 2


def test_an_empty_export_says_so(tmp_path):
    with Bench(tmp_path) as bench:
        bench.model.resources.clear()
        result = bench.export()
    assert (result.exit_code, result.files) == (0, 0)
    assert "empty" in result.notes[0]


def test_a_manifest_without_output_is_an_empty_one(tmp_path):
    with Bench(tmp_path, polls=0) as bench:
        bench.plan("manifest", Reply(200, {"transactionTime": "2026-11-01T00:00:00Z"}))
        assert "empty" in bench.export().notes[0]


@pytest.mark.parametrize("outcome", [False, True])
def test_errors_the_server_reports_under_both_names(tmp_path, outcome):
    with Bench(tmp_path, outcome=outcome) as bench:
        bench.model.errors = [FATAL, {"resourceType": "OperationOutcome", "issue": [{"severity": "information"}]}]
        result = bench.export()
        bench.check()
    assert result.exit_code == 1
    assert "reports 1 errors" in result.problems[0]
    assert len(list((bench.folder / "error").glob("*.ndjson"))) == 1


def test_gzip(tmp_path):
    with Bench(tmp_path, packed=True) as bench:
        bench.export()
        bench.check()


def test_gzip_is_known_by_its_bytes_where_no_header_says_so(tmp_path):
    with Bench(tmp_path, unlabelled=True, counts=False) as bench:
        assert bench.export().exit_code == 0
        bench.check()


def test_a_link_that_stands_twice_is_fetched_and_counted_once_and_the_ledger_says_so(tmp_path):
    with Bench(tmp_path, repeat=True, page=2) as bench:
        result = bench.export()
        bench.check()
        assert (result.exit_code, result.resources, bench.count("/files/")) == (0, 23, 4)
    told = "the manifest repeats 4 links: each file was fetched and counted once"
    assert result.notes == read_ledger(bench.folder).runs[0].notes == [told]


@pytest.mark.parametrize("post", [False, True])
def test_several_filters_as_one_list_for_a_server_of_stu2(tmp_path, post):
    with Bench(tmp_path, listed=True) as bench:
        filters = ("Observation?category=imaging", "Patient?active=true")
        result = bench.export(type_filters=filters, post=post)
        assert bench.model.asked[-1][1]["_typeFilter"] == "Observation?category=imaging,Patient?active=true"
    assert "may have taken only one" in result.notes[0]


def test_promised_lines_that_do_not_come_are_no_empty_export(tmp_path):
    result, _, _ = served(tmp_path, b"", count=5)
    assert "0 lines, the manifest says 5" in result.problems[0]
    assert result.notes == []


# -- since, deletions -------------------------------------------------------------------------------------------------


def test_since_auto_goes_on_and_deletions_are_applied(tmp_path):
    with Bench(tmp_path, drift=False) as bench:
        first = bench.export(since="auto")
        assert first.resources == 23
        bench.model.put("Observation", "o3", status="amended")
        bench.model.remove("Observation", "o4")
        bench.model.put("Observation", "new", status="final")
        second = bench.export(since="auto")
        assert (second.resources, second.deleted) == (2, 1)
        assert bench.model.asked[1][1]["_since"] == first.transaction_time
        assert tombstones(bench.folder) == {("Observation", "o4"): 2}
        bench.model.gone.clear()
        bench.model.put("Observation", "o4", status="final")  # it comes back
        assert bench.export(since="auto").resources == 1
        assert living(bench.folder) == {
            (kind, name): one["meta"]["lastUpdated"] for (kind, name), one in bench.model.resources.items()
        }


def living(folder: Path) -> dict[tuple[str, str], str]:
    """What the folder says the server holds: the newest copy, less what was deleted in its run or later."""
    gone, alive = tombstones(folder), {}
    for file in data_files(folder):
        for line in file.path.read_bytes().splitlines():
            one = json.loads(line)
            key = one["resourceType"], one["id"]
            if gone.get(key, 0) < file.run:
                alive[key] = one["meta"]["lastUpdated"]
            else:
                alive.pop(key, None)
    return alive


def test_since_auto_after_an_unfinished_run_goes_on_with_that_run(tmp_path):
    with Bench(tmp_path, drift=False) as bench:
        bench.export(since="auto")
        bench.model.put("Observation", "new", status="final")
        bench.plan("file", *[Reply(500)] * 9)
        with pytest.raises(UnfinishedError):
            bench.export(since="auto")
        bench.plan("file")
        assert bench.export(since="auto").resources == 1
        assert len(bench.model.jobs) == 2


# -- folders ----------------------------------------------------------------------------------------------------------


def test_a_folder_made_with_other_parameters_is_refused(tmp_path):
    with Bench(tmp_path) as bench:
        bench.export(types=("Observation",))
        for options in ({}, {"types": ("Patient",)}, {"types": ("Observation",), "until": "2026-11-02T00:00:00Z"}):
            with pytest.raises(ConfigError, match="other parameters"):
                bench.export(**options)
        with Bench(tmp_path) as other:
            other.folder = bench.folder
            with pytest.raises(ConfigError, match="holds an export of"):
                other.export(types=("Observation",))
            assert other.server.requests == []


def test_a_folder_with_other_files_is_refused(tmp_path):
    with Bench(tmp_path) as bench:
        bench.folder.mkdir()
        (bench.folder / "Observation.ndjson").write_text("{}")
        with pytest.raises(ConfigError, match="other files"):
            bench.export()
        assert bench.server.requests == []


@pytest.mark.parametrize("text", ["", "[]", "{", '{"ledger_version":99}', '{"ledger_version":1}'])
def test_a_ledger_that_is_none(tmp_path, text):
    with Bench(tmp_path) as bench:
        bench.folder.mkdir()
        (bench.folder / "ledger.json").write_text(text)
        with pytest.raises(ConfigError):
            bench.export()


def test_a_folder_that_is_in_use(tmp_path):
    with Bench(tmp_path) as bench:
        job = Export(bench.client(), ExportOptions(bench.folder)).run()
        next(job)
        with pytest.raises(UnfinishedError, match="at work in this folder"):
            bench.export()
        list(job)
        bench.check()


@pytest.mark.skipif(os.name != "posix" or not os.path.exists("/dev/full"), reason="needs /dev/full")
def test_a_full_disk(tmp_path, monkeypatch):
    # the parts are written to /dev/full, where every write fails with ENOSPC (full(4))
    with Bench(tmp_path) as bench:
        real = os.open

        def full(path, flags, *more):
            return real("/dev/full" if str(path).endswith("ndjson.part") else path, flags, *more)

        monkeypatch.setattr(ledgers.os, "open", full)
        with pytest.raises(UnfinishedError, match="No space left") as caught:
            bench.export()
        assert caught.value.exit_code == 5
        monkeypatch.undo()
        bench.export()
        bench.check()


def test_deadline_of_the_command(tmp_path):
    with Bench(tmp_path) as bench:
        bench.plan("status", busy(202, 30, as_date=False))
        client = bench.client(until=Deadline(5))
        with pytest.raises(UnfinishedError) as caught:
            list(Export(client, ExportOptions(bench.folder)).run())
        assert caught.value.exit_code == 5
        bench.plan("status")
        bench.export()
        assert len(bench.model.jobs) == 1
        bench.check()


BAD_OPTIONS = [
    {"level": "ward"},
    {"level": "group"},
    {"group": "x"},
    {"level": "group", "group": "../Patient"},
    {"types": ("observation",)},
    {"types": ("Observation,Patient",)},
    {"type_filters": ("category=imaging",)},
    {"type_filters": ("Observation?",)},
    {"types": ("Patient",), "type_filters": ("Observation?status=final",)},
    {"since": "yesterday"},
    {"since": "2026-11-01"},
    {"since": "2026-11-01T00:00:00"},
    {"until": "auto"},
]


@pytest.mark.parametrize("options", BAD_OPTIONS)
def test_options_that_cannot_be_meant(tmp_path, options):
    with Bench(tmp_path) as bench, pytest.raises(ConfigError, match="--") as caught:
        bench.export(**options)
    assert caught.value.exit_code == 3
    assert bench.server.requests == []


# -- order on disk ----------------------------------------------------------------------------------------------------


def test_file_then_rename_then_folder_are_synced_before_the_ledger_names_it(tmp_path, monkeypatch):
    steps: list[str] = []
    monkeypatch.setattr(ledgers, "at_boundary", steps.append)
    synced: list[str] = []
    real = os.fsync

    def fsync(descriptor):
        synced.append("folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "file")
        steps.append(f"fsync-{synced[-1]}")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    path = tmp_path / "a"
    ledgers.write_whole(path, b"x")
    assert steps == ["part-opened", "fsync-file", "part-synced", "renamed", "fsync-folder", "folder-synced"]


# -- cancel -----------------------------------------------------------------------------------------------------------


def test_cancel(tmp_path):
    with Bench(tmp_path) as bench:
        bench.plan("file", *[Reply(500)] * 20)
        with pytest.raises(UnfinishedError):
            bench.export()
        result = bench.export(cancel=True)
        assert (result.state, result.exit_code) == ("cancelled", 0)
        assert bench.model.jobs[1].deleted
        assert not list(bench.folder.glob("*.ndjson"))
        with pytest.raises(InputError):
            data_files(bench.folder)
        assert bench.export(cancel=True).state == "nothing-to-cancel"
        bench.plan("file")
        assert bench.export().state == "complete"  # a new job
        bench.check()


def test_cancel_without_anything(tmp_path):
    with Bench(tmp_path) as bench:
        assert bench.export(cancel=True).state == "nothing-to-cancel"
        assert not bench.folder.exists()


# -- credentials ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("token", [True, False])
def test_requires_access_token_is_obeyed(tmp_path, token):
    with Bench(tmp_path, bearer="Bearer Canary", token=token) as bench:
        bench.export()
        bench.check()
    for request in bench.server.requests:
        expected = token or "/files/" not in request.target
        assert ("authorization" in request.headers) == expected, request.target


@pytest.mark.parametrize("token", [True, False])
def test_files_on_another_host_get_no_token(tmp_path, token):
    with Bench(tmp_path, bearer="Bearer Canary", token=token) as bench, HostileServer(bench.model) as other:
        bench.model.file_url = other.url
        bench.export()
        bench.check()
        assert len(other.requests) == 4
        assert "Canary" not in repr(other.requests)
        assert all("authorization" not in request.headers for request in other.requests)
        assert not bench.count("/files/")


def test_a_file_that_redirects_to_another_host_takes_no_token_along(tmp_path):
    with Bench(tmp_path, bearer="Bearer Canary") as bench:
        store = HostileServer(lambda request: Reply(200, bench.model(as_ours(request)).body))

        def as_ours(request):
            request.headers = request.headers | {"authorization": bench.model.bearer}
            return request

        def handler(request):
            if "/files/" in request.target:
                return Reply(307, b"", {"Location": store.origin + request.target})
            return bench.model(request)

        bench.server.handler = handler
        with store:
            seen = []
            answer = store.handler
            store.handler = lambda request: (seen.append(dict(request.headers)), answer(request))[1]
            bench.export()
        bench.check()
        assert len(seen) == 4
        assert "Canary" not in repr(seen)
        assert all("authorization" in one.headers for one in bench.server.requests)


# -- servers without $export ------------------------------------------------------------------------------------------


def test_paged_search_where_there_is_no_export(tmp_path):
    with Bench(tmp_path, verbs=()) as bench:
        result = bench.export(types=("Observation", "Patient"))
        assert result.method == "search"
        assert any("deleted" in one for one in result.may_miss)
        found = {}
        for one in data_files(bench.folder):
            found[one.type] = [json.loads(line)["id"] for line in one.path.read_bytes().splitlines()]
        for kind in ("Observation", "Patient"):
            assert found[kind] == [name for of, name in bench.model.resources if of == kind]
        run = json.loads((bench.folder / "ledger.json").read_text())["runs"][0]
        assert (run["method"], bool(run["may_miss"])) == ("search", True)
        bench.model.clock = bench.model.clock.replace(year=2099)
        bench.model.put("Observation", "new", status="final")
        again = bench.export(types=("Observation", "Patient"), since="auto")
        assert again.resources == 1


def test_paged_search_of_a_group(tmp_path):
    with Bench(tmp_path, verbs=()) as bench:
        result = bench.export(level="group", group="g", types=("Observation", "Patient"))
    subjects = set()
    for one in data_files(bench.folder):
        for line in one.path.read_bytes().splitlines():
            resource = json.loads(line)
            subjects.add(resource.get("subject", {}).get("reference") or f"Patient/{resource['id']}")
    assert subjects == {"Patient/htest-0", "Patient/htest-1"}
    assert result.resources == 2 + 14


def test_paged_search_is_resumed_by_type(tmp_path):
    with Bench(tmp_path, verbs=()) as bench:
        asked = []

        def faults(kind, model):
            if kind == "search":
                asked.append(kind)
                return Reply(500) if len(asked) > 3 else None
            return None

        bench.model.faults = faults
        with pytest.raises(ServerError):
            bench.export(types=("Observation", "Patient"))
        first = bench.count("/Observation?")
        bench.model.faults = lambda kind, model: None
        bench.export(types=("Observation", "Patient"))
        assert bench.count("/Observation?") == first  # the finished type is not asked for again


def test_paged_search_can_be_forbidden(tmp_path):
    with Bench(tmp_path, verbs=()) as bench, pytest.raises(ServerError, match="404"):
        bench.export(search=False)


def test_a_group_that_is_not_there_is_not_a_missing_operation(tmp_path):
    with Bench(tmp_path, verbs=()) as bench:
        bench.plan("search", Reply(404, {}))
        with pytest.raises(ServerError, match="404"):
            bench.export(level="group", group="g")


def test_a_refused_parameter_is_not_a_missing_operation(tmp_path):
    outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "not-supported"}]}
    with Bench(tmp_path) as bench:
        bench.plan("kickoff", *[Reply(400, outcome)] * 3)
        with pytest.raises(ServerError, match="may not know until"):
            bench.export(until="2026-11-02T00:00:00Z")
