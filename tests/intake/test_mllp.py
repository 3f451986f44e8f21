"""MLLP: acknowledged only what is durable, by the rules of the issue; what is no message closes the connection."""

from __future__ import annotations

import json
import ssl
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.errors import ConfigError
from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.intake import tls_context
from fhir_bladder.intake.mllp import address, is_loopback
from fhir_bladder.readers import v2_parse
from fhir_bladder.sandbox.hostile_tls import Authority


def fields_of(answer: bytes, name: str) -> list[str]:
    return next((s.fields for s in v2_parse.parse(answer).segments if s.name == name), [])


def test_a_message_is_acknowledged_and_in_the_outbox(listening: Any, client: Any, message: Any) -> None:
    one, port = listening()
    with client(port) as sender:
        answer = sender.ask(message(1))
    assert fields_of(answer, "MSA")[1:3] == ["AA", "1"]
    assert fields_of(answer, "MSH")[3:7] == ["EHR", "HOSP", "APP", "WARD"]
    assert fields_of(answer, "MSH")[9] == "ACK^R01^ACK" and fields_of(answer, "MSH")[12] == "2.5.1"
    assert one.exams() == [("LK-1/E-1", "waiting")]
    row = next(one.outbox.rows())
    assert one.outbox.source(row.id) == message(1)
    assert row.file == "mllp 127.0.0.1"


def test_the_public_parser_reads_the_acknowledgement(listening: Any, client: Any, message: Any) -> None:
    hl7 = pytest.importorskip("hl7", reason="the public HL7 parser is not installed")
    _, port = listening()
    with client(port) as sender:
        for data, code in ((message(1), "AA"), (message(2, **{"9": "ADT^A01"}), "AR")):
            answer = hl7.parse(sender.ask(data).decode())
            assert str(answer.segment("MSA")[1]) == code
            assert str(answer.segment("MSH")[9]).startswith("ACK")


def test_the_same_message_again_gets_the_same_answer_and_no_second_exam(
    listening: Any, client: Any, message: Any
) -> None:
    one, port = listening()
    with client(port) as sender:
        answers = [sender.ask(message(1)) for _ in range(3)]
    assert len(set(answers)) == 1
    assert one.exams() == [("LK-1/E-1", "waiting")]
    with client(port) as sender:  # same control id, other content: another message
        other = sender.ask(message(1, volume=200))
    assert other != answers[0] and fields_of(other, "MSA")[1] == "AA"


def test_the_answer_outlives_a_restart(running: Any, client: Any, message: Any) -> None:
    answers = []
    for _ in range(2):
        one = running(mllp="127.0.0.1:0")
        with client(one.start()) as sender:
            answers.append(sender.ask(message(1)))
        one.stop()
    assert answers[0] == answers[1]


@pytest.mark.parametrize(("held_answer", "code"), [("A", "AA"), ("E", "AE")])
def test_wrong_content_is_held_and_acknowledged(
    listening: Any, client: Any, message: Any, held_answer: str, code: str
) -> None:
    one, port = listening(held_answer=held_answer)
    with client(port) as sender:
        answer = sender.ask(message(1, volume="abc"))
    assert fields_of(answer, "MSA")[1] == code
    ((key, state),) = one.exams()
    assert (key, state) == ("LK-1/E-1", "held")
    row = next(one.outbox.rows())
    assert row.code == "unreadable" and "OBX-5" in row.reason
    assert one.outbox.source(row.id) == message(1, volume="abc")
    if code == "AE":
        assert "is not a number" in fields_of(answer, "ERR")[8]


@pytest.mark.parametrize("header", [{"9": "ADT^A01"}, {"9": "ORM^O01"}, {"12": "3.0"}, {"12": ""}, {"9": ""}])
def test_types_and_versions_we_do_not_take_are_rejected(
    listening: Any, client: Any, message: Any, header: dict[str, str]
) -> None:
    one, port = listening()
    with client(port) as sender:
        assert fields_of(sender.ask(message(1, **header)), "MSA")[1] == "AR"
        assert fields_of(sender.ask(message(2)), "MSA")[1] == "AA"
    assert [key for key, _ in one.exams()] == ["LK-1/E-2"]


@pytest.mark.parametrize(
    ("modes", "code"), [(("", ""), "AA"), (("AL", "AL"), "AA"), (("AL", "NE"), "CA"), (("NE", "AL"), "AA")]
)
def test_acknowledgement_modes(listening: Any, client: Any, message: Any, modes: tuple[str, str], code: str) -> None:
    _, port = listening()
    with client(port) as sender:
        answer = sender.ask(message(1, **{"15": modes[0], "16": modes[1]}))
    assert fields_of(answer, "MSA")[1] == code


def test_no_acknowledgement_where_none_is_wanted(listening: Any, client: Any, message: Any) -> None:
    one, port = listening()
    with client(port) as sender:
        sender.send(message(1, **{"15": "NE", "16": "NE"}))
        assert fields_of(sender.ask(message(2)), "MSA")[2] == "2"
    assert len(one.exams()) == 2


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"hello\r\n", "no-frame"),
        (b"\x0bPID|1|2\x1c\r", "no-header"),
        (b"\x0b\x1c\r", "no-header"),
        (b"\x0bMSH|^^^^|A\x1c\r", "wrong-separators-in-MSH-2"),
        (b"\x0bMSH|^~\\&|A", "frame-cut-off"),
        (b"\x0b" + b"x" * 300_000, "frame-too-large"),
    ],
)
def test_what_is_no_message_closes_the_connection(
    listening: Any, client: Any, message: Any, data: bytes, word: str
) -> None:
    one, port = listening(max_message=200_000)
    with client(port) as sender:
        try:
            sender.socket.sendall(data)
            if word == "frame-cut-off":
                sender.socket.shutdown(1)
        except ConnectionError:
            pass
        assert sender.receive() == b""
    with client(port) as sender:  # the others are served
        assert fields_of(sender.ask(message(1)), "MSA")[1] == "AA"
    assert [event.text for event in one.events if event.kind == "trouble"] == [
        f"a connection was closed: {word.replace('-', ' ')}"
    ]


def test_a_message_that_is_too_large_is_rejected(listening: Any, client: Any, message: Any) -> None:
    one, port = listening(max_message=200_000)
    with client(port) as sender:
        sender.socket.sendall(b"\x0b" + message(1) + b"x" * 200_000)
        answer = sender.receive()
        assert fields_of(answer, "MSA")[1:3] == ["AR", "1"] and "200000" in fields_of(answer, "ERR")[8]
        assert sender.receive() == b""
    assert one.exams() == []


# The bad input of the issue, over the wire: each is kept as held, with segment and field, and acknowledged
@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (b"|186|", b"|abc|", "OBX-5"),
        (b"|mL^^UCUM|", b"|mm^^UCUM|", "OBX-6"),
        (b"|186|", b"|1\x0086|", "segment 4 OBX-5"),
        (b"|2.5.1|||", b"|2.5.1||||||UNICODE UTF-8", "OBX-3"),
        (b"\rOBX", b"\robx", "segment 4"),
        (b"|LK-1", b"|", "device"),
        (b"OBX|1|NM|volume^^99FHBLAD|1|186|", b"OBX|1|NM|vol", "fills a field"),
        (b"|186|", b"|" + b"9" * (11 << 20) + b"|", "OBX-5"),
    ],
)
def test_bad_input_is_held_with_its_place(
    listening: Any, client: Any, message: Any, old: bytes, new: bytes, words: str
) -> None:
    one, port = listening()
    data = message(1).replace(old, new, 1)
    if b"UTF-8" in new:
        data = data.replace(b"volume^^", "volume^Härn^".encode("latin-1"))
    assert data != message(1)
    with client(port) as sender:
        assert fields_of(sender.ask(data), "MSA")[1] == "AA"
    row = next(one.outbox.rows())
    assert (row.state, row.code) == ("held", "unreadable")
    assert words in row.reason and one.outbox.source(row.id) == data


def test_a_patient_without_identifier_is_held(listening: Any, client: Any, message: Any) -> None:
    one, port = listening()
    with client(port) as sender:
        assert fields_of(sender.ask(message(1).replace(b"700-1^^^HOSP^MR", b"")), "MSA")[1] == "AA"
    row = next(one.outbox.rows())
    assert (row.state, row.code) == ("held", "no-patient")


@pytest.mark.parametrize("size", [1, 3, 7])
def test_frames_may_come_in_pieces_and_together(listening: Any, client: Any, message: Any, size: int) -> None:
    one, port = listening()
    stream = b"".join(b"\x0b" + message(n) + b"\x1c\r" for n in (1, 2, 3)) + b"\r\n"
    with client(port) as sender:
        for start in range(0, len(stream), size * 40):
            sender.socket.sendall(stream[start : start + size * 40])
            time.sleep(0.001)
        for _ in range(3):
            sender.receive()
    assert sorted(key for key, _ in one.exams()) == ["LK-1/E-1", "LK-1/E-2", "LK-1/E-3"]


def test_many_connections_at_once(listening: Any, client: Any, message: Any) -> None:
    one, port = listening()
    senders = [client(port) for _ in range(20)]
    for number, sender in enumerate(senders):
        sender.send(message(number))
    answers = [fields_of(sender.receive(), "MSA")[1:3] for sender in senders]
    for sender in senders:
        sender.close()
    assert answers == [["AA", str(number)] for number in range(20)]
    assert len(one.exams()) == 20


def test_nothing_is_acknowledged_that_could_not_be_committed(
    listening: Any, client: Any, message: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, port = listening()

    def full(_self: Any) -> None:
        raise OSError("disk full")

    with client(port) as sender:
        monkeypatch.setattr(Outbox, "_commit", full)
        assert sender.ask(message(1)) == b""
    assert one.exams() == []
    monkeypatch.undo()
    with client(port) as sender:
        assert fields_of(sender.ask(message(1)), "MSA")[1] == "AA"
    assert len(one.exams()) == 1


def test_a_fault_of_ours_is_held_and_does_not_block_the_sender(listening: Any, client: Any, message: Any) -> None:
    class Failing:
        def record(self, given: Any) -> Any:
            raise KeyError("700-1")

    one, port = listening(preparer=Failing())
    with client(port) as sender:
        assert fields_of(sender.ask(message(1)), "MSA")[1] == "AA"
    row = next(one.outbox.rows())
    assert (row.state, row.code) == ("held", "unreadable") and "KeyError" in row.reason and "700-1" not in row.reason
    assert one.outbox.source(row.id) == message(1)


def test_one_message_that_cannot_be_kept_does_not_keep_the_others(
    listening: Any, client: Any, message: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, port = listening()
    accept = Outbox.accept_message

    def picky(self: Any, target: str, items: Any, identity: Any, answer: bytes) -> bytes:
        if identity[2] == "13":
            raise ValueError("not this one")
        return accept(self, target, items, identity, answer)

    monkeypatch.setattr(Outbox, "accept_message", picky)
    senders = {number: client(port) for number in range(10, 18)}
    for number, sender in senders.items():
        sender.send(message(number))
    answers = {number: sender.receive() for number, sender in senders.items()}
    for sender in senders.values():
        sender.close()
    assert [number for number, answer in answers.items() if not answer] == [13]
    assert len(one.exams()) == 7


def test_a_clean_stop_keeps_what_was_received(listening: Any, client: Any, message: Any, tmp_path: Path) -> None:
    one, port = listening(status_file=tmp_path / "status.json")
    with client(port) as sender:
        sender.ask(message(1))
        assert json.loads((tmp_path / "status.json").read_text())["state"] == "running"
        one.stop()
        assert sender.receive() == b""
    status = json.loads((tmp_path / "status.json").read_text())
    assert status["state"] == "stopped"
    assert status["counts"] == {"messages accepted": 1} and status["outbox"]["waiting"] == 1
    assert (tmp_path / "status.json").stat().st_mode & 0o077 == 0


def test_a_stop_under_load_loses_nothing_acknowledged(listening: Any, client: Any, message: Any, running: Any) -> None:
    one, port = listening()
    acknowledged: list[str] = []

    def send(start: int) -> None:
        with client(port) as sender:
            for number in range(start, start + 200):
                if not sender.ask(message(number)):
                    return
                acknowledged.append(f"LK-1/E-{number}")

    senders = [threading.Thread(target=send, args=(n * 1000,)) for n in range(4)]
    for sender in senders:
        sender.start()
    one.until(lambda: len(acknowledged) > 20)
    one.stop()
    for sender in senders:
        sender.join(10)
    assert 20 < len(acknowledged) < 800
    (one.outbox.path.parent / "in").mkdir()
    again = running(folders=[one.outbox.path.parent / "in"])
    assert set(acknowledged) <= {key for key, _ in again.exams()}
    again.outbox.close()


@pytest.mark.parametrize("spoilt", [b"99FHBLAD", b"E-1"], ids=["code", "code-and-key"])
def test_held_messages_are_read_again_with_a_new_map(
    running: Any, client: Any, message: Any, tmp_path: Path, spoilt: bytes
) -> None:
    data = message(1).replace(b"volume^^99FHBLAD", b"7^^99NEW")
    if spoilt == b"E-1":
        data = data.replace(b"E-1", b"").replace(b"OBX|1", b"OBX|2|ST|8^^99NEW||E-1||||||F\rOBX|1")
    one = running(mllp="127.0.0.1:0")
    with client(one.start()) as sender:
        assert fields_of(sender.ask(data), "MSA")[1] == "AA"
    assert [state for _, state in one.exams()] == ["held"]
    for _ in range(500):  # told after the answer went out
        if any(event.text.startswith("a message was held: nothing known") for event in one.events):
            break
        time.sleep(0.01)
    else:
        raise AssertionError([event.text for event in one.events])
    assert "code '7' of '99NEW' fills no field" in one.listener.status.write("running")["not_taken"]
    one.stop()
    (tmp_path / "map.toml").write_text(
        '[[observation]]\ncode = "7"\nsystem = "99NEW"\nfield = "scans.volume"\n'
        '[[observation]]\ncode = "8"\nsystem = "99NEW"\nfield = "exam_number"\n'
        '[authorities]\nHOSP = "https://records.example/mrn"\n'
    )
    for _ in range(2):  # once is enough, twice adds nothing
        one = running(mllp="127.0.0.1:0", v2_map=tmp_path / "map.toml")
        with client(one.start()) as sender:
            assert fields_of(sender.ask(data), "MSA")[1] == "AA"
        assert ("LK-1/E-1", "waiting") in one.exams()
        assert len(one.exams()) == 2
        assert [state for _, state in one.exams() if state != "waiting"] == ["dropped"]
        one.stop()


@pytest.mark.parametrize(
    ("text", "found"),
    [("2575", ("127.0.0.1", 2575)), (":1", ("127.0.0.1", 1)), ("0.0.0.0:5", ("0.0.0.0", 5)), ("[::1]:7", ("::1", 7))],
)
def test_addresses(text: str, found: tuple[str, int]) -> None:
    assert address(text) == found
    assert is_loopback(found[0]) == (found[0] != "0.0.0.0")


@pytest.mark.parametrize("text", ["", "host:", "host:http", "host:70000", "x"])
def test_addresses_that_are_none(text: str) -> None:
    with pytest.raises(ConfigError):
        address(text)


def test_an_address_that_is_taken(listening: Any, running: Any) -> None:
    _, port = listening()
    other = running(mllp=f"127.0.0.1:{port}")
    other.thread.start()
    other.thread.join(10)
    assert isinstance(other.error, ConfigError) and "cannot listen" in str(other.error)


# -- TLS


def test_tls_with_client_certificates(listening: Any, client: Any, message: Any, tmp_path: Path) -> None:
    authority = Authority(tmp_path / "ca")
    server, server_key = authority.issue("localhost", "127.0.0.1")
    mine, my_key = authority.issue("mine")
    foreign, foreign_key = Authority(tmp_path / "other", "Other Authority").issue("foreign")
    one, port = listening(tls=tls_context(server, server_key, authority.ca_file))

    def context(cert: Path | None = None, key: Path | None = None) -> ssl.SSLContext:
        made = ssl.create_default_context(cafile=str(authority.ca_file))
        if cert:
            made.load_cert_chain(cert, key)
        return made

    with client(port, context(mine, my_key)) as sender:
        assert fields_of(sender.ask(message(1)), "MSA")[1] == "AA"
    for cert, key in ((None, None), (foreign, foreign_key)):
        try:
            with client(port, context(cert, key)) as sender:
                assert sender.ask(message(2)) == b""
        except (ssl.SSLError, ConnectionError):
            pass
    with client(port) as sender:  # without TLS at all
        assert b"MSA" not in sender.ask(message(3))
    assert [key for key, _ in one.exams()] == ["LK-1/E-1"]


def test_tls_files_that_cannot_be_used(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="TLS files"):
        tls_context(tmp_path / "none.pem", tmp_path / "none.key")


def test_a_sender_of_a_huge_message_gets_its_answer(listening: Any, client: Any, message: Any) -> None:
    """A field of 50 MB, written whole before the sender reads: it must see AR, or it would send it for ever."""
    one, port = listening()
    with client(port) as sender:
        answer = sender.ask(message(1, volume="9" * 50_000_000))
    assert fields_of(answer, "MSA")[1:3] == ["AR", "1"]
    assert one.exams() == []


def test_the_log_tells_the_place_of_what_was_held_and_no_value(listening: Any, client: Any, message: Any) -> None:
    one, port = listening()
    with client(port) as sender:
        sender.ask(message(1, volume="abc"))
        sender.ask(message(2).replace(b"700-2^^^HOSP^MR", b""))
    one.until(lambda: sum(event.kind == "message" for event in one.events) == 2)  # told after the answer went out
    told = [event.text for event in one.events if event.kind == "message"]
    assert told == [
        "a message was held: number not readable (segment 4, OBX-5)", "a message was held: see the outbox",
    ]  # fmt: skip
