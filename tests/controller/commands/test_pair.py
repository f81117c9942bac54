"""``playclock pair`` on ptys: the key file and the handset agree afterwards, or it is said."""

from __future__ import annotations

import contextlib
import os
import re
import resource
import select
import stat
import threading
import tty
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.cli import main
from controller.commands.pair import Pairing
from controller.outcome import DONE, FOUND_WRONG, MISTAKE
from drivers.handset import pairing
from drivers.handset.keys import Keys, fingerprint, load_keys, new_key
from drivers.handset.pairing_messages import KEYS, WHO, Paired
from drivers.handset.simulated_pairing import Cut, PairableHandset
from tests.shared.key_files import write_keys

OLD = Keys(new_key(), {1: new_key(), 2: new_key(), 7: new_key()})
STRANGE = Paired(9, new_key(), new_key())


class Cable:
    """A pty with a handset at its far end; ``path`` is the adapter's port.

    ``pull_at`` hangs the adapter up when a frame of this kind comes.
    """

    def __init__(self, handset: PairableHandset, pull_at: int | None = None) -> None:
        self.handset, self._pull_at = handset, pull_at
        self._master, self._slave = os.openpty()
        self.path = os.ttyname(self._slave)
        self._stop = os.pipe()
        self._thread = threading.Thread(target=self._serve)

    def __enter__(self) -> Cable:
        tty.setraw(self._slave)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.write(self._stop[1], b"x")
        self._thread.join(5)
        for fd in (*self._stop, *self._ends):
            os.close(fd)

    @property
    def _ends(self) -> tuple[int, ...]:
        return () if self._master < 0 else (self._master, self._slave)

    def _serve(self) -> None:
        while True:
            ready, _, _ = select.select([self._master, self._stop[0]], [], [])
            if self._stop[0] in ready:
                return
            data = os.read(self._master, 1024)
            if self._pull_at is not None and any(
                run[1:2] == bytes([self._pull_at]) for run in data.split(b"\0")
            ):
                ends, self._master = self._ends, -1
                for fd in ends:
                    os.close(fd)
                return
            answer = self.handset.receive(data)
            if answer:
                os.write(self._master, answer)


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pairing, "KEYS_S", 0.05)


@dataclass
class Site:
    """An installation; ``out`` and ``err`` are what the last command said."""

    folder: Path
    capsys: pytest.CaptureFixture[str]
    out: str = ""
    err: str = ""

    @property
    def keys(self) -> Path:
        return self.folder / "handsets.key"

    @property
    def config(self) -> Path:
        return self.folder / "playclock.toml"

    def pair(self, handset: PairableHandset, number: int = 1, pull_at: int | None = None) -> int:
        with Cable(handset, pull_at) as cable:
            return self.do("--handset", str(number), "--port", cable.path, "--wait-s", "0.1")

    def do(self, *arguments: str) -> int:
        try:
            return main(["pair", "--config", str(self.config), *arguments])
        except SystemExit as ended:
            assert isinstance(ended.code, int)
            return ended.code
        finally:
            self.out, self.err = self.capsys.readouterr()


@pytest.fixture
def site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Site:
    handsets = "".join(
        f'[[handsets]]\ndriver = "radio"\nid = {number}\nrole = "{role}"\nlayout = "{layout}"\n'
        f'port = "/dev/receiver"\n'
        for number, role, layout in ((1, "keeper", "twelve"), (2, "field", "four"))
    )
    made = Site(tmp_path, capsys)
    made.config.write_text(
        f'rules = "nfhs"\nstate_folder = "{tmp_path}/state"\nkey_file = "{made.keys}"\n{handsets}'
    )
    write_keys(made.keys, OLD)
    return made


def only_name(site: Site) -> None:
    assert sorted(each.name for each in site.folder.iterdir()) == ["handsets.key", "playclock.toml"]


def untouched(site: Site) -> bool:
    only_name(site)
    return load_keys(site.keys) == OLD


def test_a_handset_is_paired_and_the_others_are_kept(site: Site) -> None:
    handset = PairableHandset(12, 3, STRANGE)
    assert site.pair(handset) == DONE
    keys = load_keys(site.keys)
    assert handset.paired == Paired(1, keys.handset[1], keys.broadcast)
    assert keys.handset[1] != OLD.handset[1]
    assert (keys.broadcast, keys.handset[7]) == (OLD.broadcast, OLD.handset[7])
    assert stat.S_IMODE(site.keys.stat().st_mode) == 0o600
    only_name(site)
    assert "There is a handset of 12 keys, firmware 3, paired as handset 9." in site.out
    assert f"handset 1 has proved that it holds key {fingerprint(keys.handset[1])}" in site.out
    assert "systemctl restart playclock" in site.out
    assert site.err == ""


def test_the_first_handset_of_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    handset, path = PairableHandset(4), tmp_path / "handsets.key"
    with Cable(handset) as cable:
        arguments = ["pair", "--key-file", str(path), "--handset", "254", "--port", cable.path]
        assert main(arguments) == DONE
    keys = load_keys(path)
    assert handset.paired == Paired(254, keys.handset[254], keys.broadcast)
    assert "not paired yet" in capsys.readouterr().out


@pytest.mark.parametrize("cut", [Cut.BEFORE_KEYS, Cut.BEFORE_STORED, Cut.BEFORE_HERE])
def test_handset_end_out_at_each_step(site: Site, cut: Cut) -> None:
    handset = PairableHandset(paired=STRANGE, cut=cut)
    assert site.pair(handset) == FOUND_WRONG
    assert untouched(site)
    assert (handset.paired == STRANGE) is (cut is not Cut.BEFORE_HERE)
    said = site.err
    assert f"{site.keys} is as it was" in said and "pair it again before it is used" in said
    again = PairableHandset(paired=handset.paired)
    assert site.pair(again) == DONE
    assert again.paired == Paired(1, load_keys(site.keys).handset[1], OLD.broadcast)


@pytest.mark.parametrize("kind", [WHO, KEYS])
def test_adapter_end_out_at_each_step(site: Site, kind: int) -> None:
    handset = PairableHandset()
    assert site.pair(handset, pull_at=kind) == FOUND_WRONG
    assert untouched(site) and handset.paired is None
    said = site.err
    assert "lost" in said
    assert ("pair it again" in said) is (kind == KEYS)


def test_nobody_answers(site: Site) -> None:
    handset = PairableHandset()
    handset.dead = True
    assert site.pair(handset) == FOUND_WRONG
    assert untouched(site)
    said = site.err
    assert "no handset answers within 0.1 s" in said and "pair it again" not in said


def test_the_layout_must_be_that_of_the_configuration(site: Site) -> None:
    handset = PairableHandset(4)
    assert site.pair(handset, 1) == FOUND_WRONG
    assert untouched(site) and handset.paired is None
    assert "handset 1 has 12 keys by" in site.err


def test_a_handset_of_ours_is_not_paired_by_mistake_as_another(site: Site) -> None:
    second = Paired(2, OLD.handset[2], OLD.broadcast)
    handset = PairableHandset(12, paired=second)
    assert site.pair(handset, 1) == FOUND_WRONG
    assert untouched(site) and handset.paired == second
    assert f"this is handset 2 of {site.keys}, not 1" in site.err
    stranger = PairableHandset(12, paired=Paired(2, new_key(), OLD.broadcast))
    assert site.pair(stranger, 1) == DONE, "another school's number 2 is free to take"


def test_a_handset_that_the_configuration_lacks_is_paired_and_said(site: Site) -> None:
    assert site.pair(PairableHandset(4), 33) == DONE
    assert f"{site.config} does not name handset 33 yet" in site.out


def test_a_port_that_is_not_there(site: Site) -> None:
    assert site.do("--handset", "1", "--port", "/dev/no-such-cable") == FOUND_WRONG
    assert untouched(site)
    assert "/dev/no-such-cable: cannot open: No such file" in site.err


@contextlib.contextmanager
def full_disk() -> Iterator[None]:
    """No file may grow beyond 40 bytes (setrlimit(2)): a write fails as on a full disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (40, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_is_found_before_the_handset_is_changed(site: Site) -> None:
    handset = PairableHandset(paired=STRANGE)
    with full_disk():
        assert site.pair(handset) == MISTAKE
    assert untouched(site) and handset.paired == STRANGE
    assert "File too large" in site.err


def test_a_disk_that_fails_after_the_proof_is_told(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(_: Path, target: Path) -> Path:
        raise OSError(30, "Read-only file system", str(target))

    monkeypatch.setattr(Path, "rename", refused)
    assert site.pair(PairableHandset()) == MISTAKE
    said = site.err
    assert "Read-only file system" in said and "pair it again" in said
    assert untouched(site)


def test_the_list_shows_numbers_and_fingerprints_and_no_key(site: Site) -> None:
    write_keys(site.keys, Keys(OLD.broadcast, {1: OLD.handset[1], 7: OLD.handset[7]}))
    assert site.do("--list") == DONE
    said = site.out
    assert said.splitlines() == [
        f"broadcast    key {fingerprint(OLD.broadcast)}",
        f"handset 1    key {fingerprint(OLD.handset[1])}",
        "handset 2    no key: pair it, the service does not start without",
        f"handset 7    key {fingerprint(OLD.handset[7])}  not in the configuration",
    ]
    assert not re.search(r"[0-9A-Fa-f]{9,}", said)


def test_fingerprints_differ_and_have_nothing_of_the_key() -> None:
    keys = [new_key() for _ in range(200)]
    assert len({fingerprint(key) for key in keys}) == 200
    assert not any(fingerprint(key).lower() in key.hex() for key in keys)


def test_a_revoked_handset_has_no_key_and_what_to_do_is_said(site: Site) -> None:
    assert site.do("--revoke", "2") == DONE
    assert load_keys(site.keys) == Keys(OLD.broadcast, {1: OLD.handset[1], 7: OLD.handset[7]})
    said = site.out
    for words in (
        f"First take handset 2 out of {site.config}",
        "systemctl restart",
        "--renew-broadcast",
    ):
        assert words in said
    assert "then pair again: 1, 7." in said
    assert site.do("--revoke", "2") == MISTAKE
    assert "handset 2 has no key; handsets with one: 1, 7" in site.err


def test_a_new_down_link_key_leaves_nobody_paired(site: Site) -> None:
    assert site.do("--renew-broadcast") == DONE
    keys = load_keys(site.keys)
    assert keys.broadcast != OLD.broadcast and keys.handset == {}
    assert "To pair: 1, 2, 7." in site.out
    handset = PairableHandset(paired=Paired(1, OLD.handset[1], OLD.broadcast))
    assert site.pair(handset) == DONE
    assert handset.paired == Paired(1, load_keys(site.keys).handset[1], keys.broadcast)


@pytest.mark.parametrize("doing", [("--revoke", "1"), ("--renew-broadcast",), ("--list",)])
@pytest.mark.parametrize("damage", ["mode", "text"])
def test_a_damaged_key_file_is_named_and_left_alone(
    site: Site, doing: tuple[str, ...], damage: str
) -> None:
    if damage == "mode":
        site.keys.chmod(0o644)
    else:
        site.keys.write_text(f'broadcast_key = "{OLD.broadcast.hex()}" and more')
    before = site.keys.read_bytes()
    assert site.do(*doing) == MISTAKE
    said = site.err
    assert str(site.keys) in said and OLD.broadcast.hex() not in said
    assert site.keys.read_bytes() == before


@pytest.mark.skipif(os.geteuid() != 0, reason="becomes another user: root only")
def test_another_user_is_told_to_use_sudo(site: Site) -> None:
    site.folder.chmod(0o755)
    os.seteuid(65534)
    try:
        codes = [site.do("--revoke", "1"), site.do("--list")]
    finally:
        os.seteuid(0)
    assert codes == [MISTAKE, MISTAKE]
    assert untouched(site)
    assert "Permission denied" in site.err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--handset", "0", "--port", "x"], "'0': must be 1 to 254"),
        (["--handset", "255", "--port", "x"], "'255': must be 1 to 254"),
        (["--handset", "\u0661", "--port", "x"], "must be 1 to 254"),
        (["--revoke", "one"], "'one': must be 1 to 254"),
        (["--handset", "1"], "--handset wants the --port of the cable"),
        (["--list", "--port", "x"], "only pairing (--handset) uses a cable"),
        (["--handset", "1", "--port", "/dev/receiver"], "has boards or a receiver there"),
        (["--handset", "1", "--port", "x", "--wait-s", "0"], "must be 0.1 to 600 seconds"),
        (["--list", "--revoke", "1"], "not allowed with"),
        ([], "is required"),
    ],
)
def test_mistakes_in_the_command_line_are_named(
    site: Site, arguments: list[str], said: str
) -> None:
    assert site.do(*arguments) == MISTAKE
    assert said in site.err


def test_a_missing_file_or_key_file_entry_is_named(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["pair", "--key-file", str(tmp_path / "none"), "--list"]) == MISTAKE
    assert f"{tmp_path / 'none'}: No such file or directory" in capsys.readouterr().err
    site.config.write_text('rules = "nfhs"\n')
    assert site.do("--list") == MISTAKE
    assert "key_file: none is named" in site.err


def test_an_interrupt_after_the_keys_went_out_says_so(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def interrupted(self: Pairing, port: object) -> None:
        self.doubtful = True
        raise KeyboardInterrupt

    monkeypatch.setattr(Pairing, "run", interrupted)
    assert site.pair(PairableHandset()) == 130
    assert "pair it again" in site.err
    assert untouched(site)
