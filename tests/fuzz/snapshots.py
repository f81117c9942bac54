"""Fuzz targets: the snapshot's file, which a kill may leave half written, and its text."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace
from pathlib import Path

from controller.journal.row import Dated, Row, row_text
from controller.recovery import snapshot_codec as snapshot_text
from controller.recovery import snapshot_file as snapshot
from controller.recovery.snapshot_codec import (
    Checkpoint,
    Identity,
    PendingOrder,
    SnapshotError,
    SnapshotText,
)
from controller.recovery.snapshot_file import LAST_SEQUENCE, LINE_BYTES, SLOT_BYTES, SnapshotFile
from controller.rulebook.loader import load_rule_set
from controller.rules import events
from controller.rules.play_clock import PlayClock
from tests.fuzz.guided import Target
from tests.fuzz.steps import step, steps

PLACES = (0, SLOT_BYTES, 2 * SLOT_BYTES)
DAMAGE, RECORD = range(2)


def record(seq: int, text: bytes) -> bytes:
    """A slot as it should be: magic, sequence, length, CRC-32 over all but the magic, text."""
    head = struct.pack("<QL", seq, len(text))
    return b"PLCK" + head + struct.pack("<L", zlib.crc32(head + text)) + text


def check_snapshot_file(data: bytes, folder: Path) -> None:
    """What is found is whole and in its place; what is saved then is found as the newest."""
    path = folder / "snapshot"
    file = SnapshotFile(path)
    file._map[:] = bytes(len(file._map))
    for kind, what in steps(data):
        at, seq, content = PLACES[what[0] % 3 if what else 0], what[1:9], what[9:]
        if kind == RECORD:
            content = record(int.from_bytes(seq, "big") % LAST_SEQUENCE, content)
        else:
            at, content = at + (seq[0] if seq else 0), what[2:]
        file._map[at : at + len(content)] = content
    whole = bytes(file._map)
    file.close()
    file = SnapshotFile(path)
    for seq_found, found in file.found:
        assert whole[PLACES[seq_found % 2] :].startswith(record(seq_found, found))
    assert [each[0] for each in file.found] == sorted((s for s, _ in file.found), reverse=True)
    if file.line is not None:
        assert whole[PLACES[2] :].startswith(record(*file.line))
        assert len(file.line[1]) <= LINE_BYTES
    file.save(b"new")
    file.add(b"line")
    file.close()
    file = SnapshotFile(path)
    newest = file.found[0]
    assert newest[1] == b"new"
    assert file.line == (newest[0], b"line")
    file.close()


def check_snapshot_text(data: bytes, _: Path) -> None:
    """A text and a line behind it are a snapshot that can be written again, or are refused."""
    text, _newline, line = data.partition(b"\n")
    try:
        got = snapshot_text.read(text, line or None)
    except SnapshotError as error:
        assert str(error)
        return
    maker = SnapshotText(got.identity)
    checkpoint = replace(got.checkpoint, rows=[row_text(row) for row in got.rows])
    again = maker.whole(checkpoint)
    pending = None if got.pending is None else maker.line(got.pending)
    assert snapshot_text.read(again, pending) == got


def _texts() -> list[bytes]:
    """Snapshots of a short game, each with the line of its last order."""
    clock, texts = PlayClock(load_rule_set("nfhs")), list[bytes]()
    maker = SnapshotText(Identity("installation", "boot", "0.1.0", "rules"))
    rows = (Dated(Row(kind="event", game=1, play=1, event_number=1, received_at=5), 6),)
    foul = events.PlayEnded("foul", frozenset({"by_defense_only"}))
    series: list[events.Event] = [
        events.RunNumber(events.Number.ROUTINE),
        foul,
        events.Ready(),
        events.Stop(),
        events.Undo(),
    ]
    for number, event in enumerate(series):
        order = events.Order(event, (number + 1) * 10**9, 1, events.Role.FIELD)
        clock.handle(order, order.at)
        checkpoint = Checkpoint(
            saved_at=order.at,
            game=1,
            event_number=number,
            numbered=True,
            state=clock.state,
            gesture=clock.gesture,
            rows=[row_text(row) for row in rows],
        )
        pending = PendingOrder(order, order.at, order.at, 8)
        texts.append(maker.whole(checkpoint) + b"\n" + maker.line(pending))
    return texts


TARGETS = (
    Target(
        "snapshot-file",
        check_snapshot_file,
        (snapshot,),
        (
            step(RECORD, b"\0" + bytes(7) + b"\2text") + step(RECORD, b"\1" + bytes(7) + b"\1old"),
            step(RECORD, b"\1" + b"\xff" * 8 + b"last") + step(RECORD, b"\2" + bytes(8) + b"line"),
            step(DAMAGE, b"\0\4\1\2\3"),
        ),
    ),
    Target(
        "snapshot-text",
        check_snapshot_text,
        (snapshot_text,),
        tuple(_texts()),
        (
            *(b"null", b"[]", b"{}", b"true", b'"', b",", b"1e999", b"NaN", b"-1"),
            *(b"[" * 999, b"9" * 4301),
        ),
    ),
)
