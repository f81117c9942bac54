"""``playclock run``: mistakes said in a line, and the real process on terminals, pipes and nothing.

The simulator runs isolated (``-I -S``): whatever is not in the standard library cannot load.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import re
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pytest

from controller.cli import main
from controller.journal.file import JournalFileError
from controller.journal.head import short
from controller.journal.reader import JournalReader
from controller.journal.row import Row

ROOT = Path(__file__).resolve().parents[3]
START = f"import sys; sys.path.insert(0, {str(ROOT)!r}); "
MAIN = "from controller.cli import main; sys.exit(main())"
ISOLATED = [sys.executable, "-I", "-S", "-W", "error", "-c", START + MAIN]
"""No site packages, no environment, every warning an error."""
WITH_PYSERIAL = [sys.executable, "-W", "error", "-c", START + MAIN]

PATIENCE_S = 15
ENTERS, LEAVES = b"\x1b[?1049h", b"\x1b[?1049l"
STOPS = [signal.SIGTERM, signal.SIGINT, signal.SIGHUP]

BOARD = '[[boards]]\nname = "north"\nnode = 1\ndriver = "node"\nport = "{folder}/boards"\n'
HANDSET = (
    '[[handsets]]\ndriver = "radio"\nid = 1\nrole = "keeper"\nlayout = "twelve"\n'
    'port = "{folder}/receiver"\n'
)
HEAD = (
    'state_folder = "{folder}/state"\nruntime_folder = "{folder}/run"\nkey_file = "{folder}/keys"\n'
)
KEY_FILE = 'broadcast_key = "000102030405060708090a0b0c0d0e0f"\n'
HANDSET_KEY = '[handset.1]\nhandset_key = "101112131415161718191a1b1c1d1e1f"\n'
SIMULATED = (
    'state_folder = "{folder}/state"\nruntime_folder = "{folder}/run"\n'
    '[[boards]]\nname = "north"\nnode = 1\ndriver = "simulated"\n'
    '[[boards]]\nname = "south"\nnode = 2\ndriver = "simulated"\n'
)


def configure(folder: Path, text: str = HEAD + BOARD + HANDSET) -> Path:
    """A configuration whose paths lie in ``folder``."""
    path = folder / "field.toml"
    path.write_text(text.replace("{folder}", str(folder)))
    return path


def pair(folder: Path, text: str = KEY_FILE + HANDSET_KEY, mode: int = 0o600) -> Path:
    """A key file."""
    path = folder / "keys"
    path.write_text(text)
    path.chmod(mode)
    return path


# Mistakes, before anything starts


def mistake(
    capsys: pytest.CaptureFixture[str], *arguments: str | Path, names: Iterable[str], lines: int = 1
) -> None:
    """It is answered in so many lines, with these words, and nothing starts."""
    assert main(["run", *map(str, arguments)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("playclock run: ") and said.err.count("\n") == lines
    assert "Errno" not in said.err and "Traceback" not in said.err
    assert "101112" not in said.err and "000102" not in said.err, "no key is told"
    for words in names:
        assert words in said.err


@pytest.mark.parametrize(
    ("arguments", "names"),
    [
        (["--rules", "nfsh"], ["'nfsh'", "nfhs"]),
        (["--rules", ""], ["''", "nfhs"]),
        (["--season", "1980"], ["1980", "1990"]),
        (["--season", "0"], ["season 0", "1990"]),
        (["--config", "/no.toml"], ["/no.toml: ", "No such file"]),
    ],
)
def test_what_is_not_known_is_named(
    capsys: pytest.CaptureFixture[str], arguments: list[str], names: list[str]
) -> None:
    mistake(capsys, *arguments, names=names)


@pytest.mark.parametrize(
    "option",
    [
        ["--demo"],
        ["--rules", "nfhs"],
        ["--rules", ""],
        ["--season", "2025"],
        ["--season", "0"],
        ["--option", "pile=25_ready"],
    ],
)
def test_options_of_the_simulator_are_refused_beside_a_configuration(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, option: list[str]
) -> None:
    pair(tmp_path)
    mistake(capsys, "--config", configure(tmp_path), *option, names=[option[0], "simulator"])
    assert not (tmp_path / "state").exists()


# How a mistake in the file itself is named: tests/controller/config
@pytest.mark.parametrize(
    ("text", "names"),
    [
        ('rules = "nfsh"\n' + HEAD + BOARD, ["nfsh", "nfhs"]),
        ('rules = "ncaa"\nseason = 1994\n' + HEAD + BOARD, ["1994", "2016"]),
        (HEAD + BOARD.replace("= 1", "= 9"), ["boards[0].node", "9", "1 to 8"]),
        (HEAD, ["boards", "--no-boards"]),
        (
            HEAD
            + BOARD
            + '[[overrides]]\nending = "tuchdown"\nseconds = 40\nstarts_on = "dead_ball"\n'
            + 'citation = "Example Valley"\n',
            ["overrides[0].ending", '"tuchdown"', '"touchdown"'],
        ),
    ],
)
def test_a_mistake_in_the_configuration_names_file_key_and_value(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str, names: list[str]
) -> None:
    config = configure(tmp_path, text)
    mistake(capsys, "--config", config, names=[str(config), *names])
    assert not (tmp_path / "state").exists()


def test_every_mistake_of_a_configuration_is_named_at_once(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = HEAD + BOARD.replace("= 1", "= 9") + HANDSET.replace('"keeper"', '"coach"')
    config = configure(tmp_path, text)
    named = [f"{config}: boards[0].node", f"{config}: handsets[0].role"]
    mistake(capsys, "--config", config, names=named, lines=2)


@pytest.mark.parametrize(
    ("text", "mode", "names"),
    [
        (None, 0, ["No such file"]),
        (KEY_FILE + HANDSET_KEY, 0o640, ["0640", "0600"]),
        (KEY_FILE, 0o600, ["handset 1"]),
        (HANDSET_KEY, 0o600, ["broadcast_key"]),
        ("broadcast_key = 1\n" + HANDSET_KEY, 0o600, ["broadcast_key"]),
        ("", 0o600, ["broadcast_key"]),
    ],
)
def test_a_key_file_that_cannot_be_used(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    text: str | None,
    mode: int,
    names: list[str],
) -> None:
    if text is not None:
        pair(tmp_path, text, mode)
    mistake(capsys, "--config", configure(tmp_path), names=[str(tmp_path / "keys"), *names])


@pytest.mark.full
def test_keys_that_the_disk_does_not_give_leave_the_console(tmp_path: Path) -> None:
    pair(tmp_path)
    broken = (
        "import controller.assembly.assembler as a\n"
        "def unreadable(path): raise OSError(5, 'Input/output error', str(path))\n"
        "a.load_keys = unreadable\n"
    )
    program = [sys.executable, "-c", START + f"exec({broken!r}); " + MAIN]
    with piped("--config", configure(tmp_path), "--plain", program=program) as (clock, said):
        said.until(f"the radio handsets are left out: {tmp_path}/keys: Input/output".encode())
        said.until(b"TROUBLE the radio handsets are left out")
        assert clock.poll() is None
        assert stopped(clock) == 0


def test_a_configuration_that_the_disk_does_not_give_is_tried_again(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unreadable(path: str, _: int) -> bytes:
        raise OSError(5, "Input/output error", path)

    monkeypatch.setattr("controller.config.load.read_regular", unreadable)
    assert main(["run", "--config", str(tmp_path / "field.toml")]) == 1
    assert "field.toml: cannot be read: Input/output error" in capsys.readouterr().err


# Real processes


class Output:
    """What a process says, as far as it has been read."""

    def __init__(self, fd: int) -> None:
        self.fd = fd
        self.said = b""
        os.set_blocking(fd, False)

    def more(self, wait_s: float) -> bytes:
        """What comes within ``wait_s``; empty for nothing and at the end."""
        if not select.select([self.fd], [], [], wait_s)[0]:
            return b""
        try:
            more = os.read(self.fd, 65536)
        except OSError:  # EIO: nobody has the other end of this pty open
            return b""
        self.said += more
        return more

    def until(self, words: bytes, since: int = 0) -> int:
        """Read until ``words`` come after the first ``since`` bytes; gives where they end."""
        deadline = time.monotonic() + PATIENCE_S
        while words not in self.said[since:]:
            if not self.more(0.1) and time.monotonic() > deadline:
                raise AssertionError(f"{words!r} never came after {self.said[since:][-400:]!r}")
        return self.said.index(words, since) + len(words)

    def drain(self) -> None:
        while self.more(0.05):
            pass


def until(holds: Callable[[], bool], what: str) -> None:
    """Look every 20 ms until something holds."""
    deadline = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < deadline, f"never: {what}"
        time.sleep(0.02)


class Terminal:
    """A terminal of 80 x 24 with one program on it, which leads a session of its own."""

    def __init__(
        self,
        folder: Path,
        *options: str | Path,
        program: list[str] | None = None,
        controlling: bool = True,
    ) -> None:
        self.journal = folder / "journal.sqlite3"
        self.master, self._slave = os.openpty()
        termios.tcsetwinsize(self._slave, (24, 80))
        self.before = termios.tcgetattr(self._slave)
        slave = self._slave

        def take_terminal() -> None:
            if controlling:
                fcntl.ioctl(slave, termios.TIOCSCTTY, 0)

        self.process = subprocess.Popen(
            [*(program or ISOLATED), "run", "--journal", str(self.journal), *map(str, options)],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            preexec_fn=take_terminal,  # noqa: PLW1509 - this process has one thread
            env={**os.environ, "TERM": "xterm-256color", "XDG_STATE_HOME": str(folder)},
        )
        self.output = Output(self.master)

    def type(self, keys: str) -> int:
        """Type; gives where the output stood."""
        self.output.drain()
        os.write(self.master, keys.encode())
        return len(self.output.said)

    @property
    def settings(self) -> list[object]:
        return list(termios.tcgetattr(self._slave))

    def pause(self, action: int) -> None:
        """Stop or resume the output as the terminal's own pause key would, if it had one."""
        termios.tcflow(self._slave, action)

    def hang_up(self) -> None:
        """Close the terminal under the program."""
        os.close(self._slave)
        os.close(self.master)
        self.master = self._slave = -1

    def answers(self, keys: str, words: bytes) -> None:
        """Type, and wait for ``words`` after it."""
        since = self.type(keys)
        self.output.until(words, since)

    def stopped(self, number: signal.Signals = signal.SIGTERM) -> int:
        """Send a signal; gives the exit code."""
        self.process.send_signal(number)
        return self.ended()

    def ended(self) -> int:
        """Read on until the program has ended; gives its exit code."""
        if self.master < 0:
            return self.process.wait(PATIENCE_S)
        deadline = time.monotonic() + PATIENCE_S
        while self.process.poll() is None:
            assert time.monotonic() < deadline, "still running"
            self.output.more(0.05)
        self.output.drain()
        return self.process.returncode

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        if self.master >= 0:
            self.hang_up()


@contextlib.contextmanager
def on_terminal(
    folder: Path,
    *options: str | Path,
    program: list[str] | None = None,
    controlling: bool = True,
    drawn: bytes = b"board south",
) -> Iterator[Terminal]:
    """A program that has said ``drawn``."""
    terminal = Terminal(folder, *options, program=program, controlling=controlling)
    try:
        terminal.output.until(drawn)
        yield terminal
    finally:
        terminal.close()


@contextlib.contextmanager
def piped(
    *options: str | Path,
    stdin: int = subprocess.DEVNULL,
    program: list[str] | None = None,
) -> Iterator[tuple[subprocess.Popen[bytes], Output]]:
    """A program whose output goes to a pipe."""
    process = subprocess.Popen(
        [*(program or ISOLATED), "run", *map(str, options)],
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    assert process.stdout is not None
    with process.stdout:
        try:
            yield process, Output(process.stdout.fileno())
        finally:
            process.kill()
            process.wait()


def rows(journal: Path) -> list[Row]:
    """What is in the journal by now."""
    try:
        with JournalReader(journal) as reader:
            return [entry.row for entry in reader.entries()]
    except (JournalFileError, OSError):
        return []


def until_played(process: subprocess.Popen[bytes], journal: Path, presses: int = 1) -> None:
    """Wait until so many presses of the series are in the journal."""

    def played() -> bool:
        assert process.poll() is None, "the clock has ended"
        return len([row for row in rows(journal) if row.result]) >= presses

    until(played, "the series is played")


def stopped(process: subprocess.Popen[bytes], number: signal.Signals = signal.SIGTERM) -> int:
    process.send_signal(number)
    return process.wait(PATIENCE_S)


def check_given_back(terminal: Terminal) -> None:
    """The terminal is as it was before the program."""
    assert terminal.settings == terminal.before
    said = terminal.output.said
    assert said.rindex(LEAVES) > said.rindex(ENTERS)
    assert b"\x1b[?25h" in said[said.rindex(ENTERS) :]
    assert b"\x1b" not in last_words(terminal)


def last_words(terminal: Terminal) -> bytes:
    """What stands on the terminal after the screen."""
    return terminal.output.said.rpartition(LEAVES)[2].strip()


@pytest.mark.full
@pytest.mark.parametrize("how", [*STOPS, "\x03"])
def test_it_ends_cleanly_and_gives_the_terminal_back(
    tmp_path: Path, how: signal.Signals | str
) -> None:
    with on_terminal(tmp_path) as terminal:
        until(lambda: terminal.settings != terminal.before, "takes keys")
        terminal.answers("d", b"RUNNING")
        if isinstance(how, str):
            terminal.type(how)
            assert terminal.ended() == 0
        else:
            assert terminal.stopped(how) == 0
        check_given_back(terminal)


@pytest.mark.full
def test_a_keeper_plays_on_a_terminal_and_quits(tmp_path: Path) -> None:
    with on_terminal(tmp_path) as terminal:
        terminal.answers("2", b"shows 25")
        terminal.answers("r", b"shows 2")
        terminal.answers("s", b"BALL LIVE")
        terminal.answers(":incomplete pass fourth down\r", b"change of team")
        terminal.answers(":count 17\r", b"shows 17")
        terminal.answers(":tuchdown\r", b"'tuchdown'")
        terminal.type("q")
        assert terminal.ended() == 0
        check_given_back(terminal)
    with JournalReader(terminal.journal) as reader:
        head = short(reader.verify(*reader.kept_heads()).head)
    note = f"the record ends with {head}: note it on the game's sheet"
    assert last_words(terminal).decode() == note
    events = [row.event for row in rows(terminal.journal) if row.result]
    assert len(events) == 5


@pytest.mark.full
def test_a_paused_terminal_does_not_stop_the_clock(tmp_path: Path) -> None:
    with on_terminal(tmp_path) as terminal:
        until(lambda: terminal.settings != terminal.before, "takes keys")
        terminal.pause(termios.TCOOFF)  # it takes no output from here on
        terminal.output.drain()
        paused = len(terminal.output.said)
        os.write(terminal.master, b"d")
        until(lambda: any(row.result == "running" for row in rows(terminal.journal)), "running")
        os.write(terminal.master, b"s")
        until(lambda: any(row.phase_after == "LIVE" for row in rows(terminal.journal)), "live")
        terminal.output.drain()
        assert len(terminal.output.said) == paused
        terminal.pause(termios.TCOON)
        terminal.output.until(b"BALL LIVE", paused)
        assert terminal.stopped() == 0
        check_given_back(terminal)


@pytest.mark.full
def test_it_can_be_ended_while_the_terminal_is_paused(tmp_path: Path) -> None:
    with on_terminal(tmp_path) as terminal:
        until(lambda: terminal.settings != terminal.before, "takes keys")
        terminal.pause(termios.TCOOFF)
        terminal.type("d")
        until(lambda: rows(terminal.journal) != [], "a journal")
        assert terminal.stopped() == 0
        assert terminal.settings == terminal.before


@pytest.mark.full
def test_a_slip_of_the_finger_does_not_stop_the_process(tmp_path: Path) -> None:
    with on_terminal(tmp_path) as terminal:
        terminal.type("\x1a\x1c")  # Ctrl-Z, Ctrl-\\: beside the keys of the play clock
        terminal.type("d")
        until(lambda: any(row.result == "running" for row in rows(terminal.journal)), "running")
        assert terminal.stopped() == 0


@pytest.mark.full
def test_a_terminal_that_is_closed_ends_it_cleanly(tmp_path: Path) -> None:
    with on_terminal(tmp_path) as terminal:
        terminal.hang_up()  # the kernel sends SIGHUP to the session's leader
        assert terminal.ended() == 0


@pytest.mark.full
def test_a_terminal_that_is_not_its_own_may_go(tmp_path: Path) -> None:
    with on_terminal(tmp_path, "--demo", controlling=False) as terminal:
        terminal.hang_up()
        until_played(terminal.process, terminal.journal, 3)
        assert stopped(terminal.process) == 0


@pytest.mark.full
def test_nohup_keeps_it_running(tmp_path: Path) -> None:
    # nohup(1): the program "shall be invoked with SIGHUP ignored"; who started it meant that.
    with piped("--journal", tmp_path / "j.sqlite3", program=["nohup", *ISOLATED]) as (clock, said):
        said.until(b"north right")
        clock.send_signal(signal.SIGHUP)
        since = len(said.said)
        said.until(b"HELD 25", since)
        assert stopped(clock) == 0


@pytest.mark.full
@pytest.mark.parametrize("stdin", [subprocess.DEVNULL, subprocess.PIPE])
def test_without_a_terminal_it_demonstrates(tmp_path: Path, stdin: int) -> None:
    with piped("--journal", tmp_path / "journal.sqlite3", stdin=stdin) as (process, said):
        said.until(b"HELD 25")
        if process.stdin is not None:
            process.stdin.close()
        said.until(b"RUNNING 24")
        assert stopped(process) == 0
        said.drain()
    text = said.said.decode()
    assert "\x1b" not in text and "Warning" not in text
    assert re.fullmatch(r"[0-9:]{8} the record ends with .*", text.splitlines()[-1])
    assert re.search(r"HELD 25 .*north right, south right", text)
    with JournalReader(tmp_path / "journal.sqlite3") as reader:
        assert reader.verify().problem == ""


def test_every_row_says_the_kind_of_game_and_the_start_what_it_was_set_to(tmp_path: Path) -> None:
    journal = tmp_path / "journal.sqlite3"
    chosen = ("--kind", "scrimmage", "--option", "after_touchdown=40_dead_ball")
    with piped("--journal", journal, *chosen) as (process, _):
        until_played(process, journal)
        assert stopped(process) == 0
    with JournalReader(journal) as reader:
        entries = list(reader.entries())
    assert {entry.game_kind for entry in entries} == {"scrimmage"}
    (start,) = [entry for entry in entries if entry.row.event == "service started"]
    setup = json.loads(start.row.setup)
    assert (setup["code"], setup["fingerprint"]) == ("nfhs", start.rules_hash)
    assert setup["options"] == {"after_touchdown": "40_dead_ball"}
    assert setup["settings"]["same_down_s"] == 6.0


def test_an_unknown_kind_of_game_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["run", "--kind", "homecoming"])
    assert "varsity" in capsys.readouterr().err


@pytest.mark.full
def test_a_demonstration_that_nobody_can_end_ends_by_itself(tmp_path: Path) -> None:
    short = "d.SERIES = ((0.5, 'NUMBER_25'), (0.7, 'READY')); d.LOOK_S = 0.3; "
    code = f"{START}import controller.assembly.demo as d; {short}{MAIN}"
    program = [sys.executable, "-I", "-S", "-W", "error", "-c", code]
    with piped("--journal", tmp_path / "journal.sqlite3", program=program) as (process, said):
        said.until(b"READY: 25 running")
        assert process.wait(PATIENCE_S) == 0


@pytest.mark.full
@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_closed_streams_do_not_matter(tmp_path: Path, closed: str) -> None:
    journal = tmp_path / "journal.sqlite3"
    shell = ["sh", "-c", f'exec "$@" {closed}', "sh", *ISOLATED]
    with piped("--journal", journal, program=shell) as (process, _):
        until_played(process, journal)
        assert "held" in {row.result for row in rows(journal)}
        assert stopped(process) == 0
    with JournalReader(journal) as reader:
        assert reader.verify().problem == ""


@pytest.mark.full
def test_a_reader_that_has_gone_does_not_stop_the_clock(tmp_path: Path) -> None:
    journal = tmp_path / "journal.sqlite3"
    with piped("--journal", journal) as (process, said):
        said.until(b"NO COUNT")
        assert process.stdout is not None
        process.stdout.close()
        until_played(process, journal, 2)
        assert stopped(process) == 0


@pytest.mark.full
@pytest.mark.parametrize("place", ["/proc/none/journal.sqlite3", "/dev/full", "{folder}"])
def test_a_journal_that_cannot_be_written_is_said_and_the_clock_runs(
    tmp_path: Path, place: str
) -> None:
    path = place.replace("{folder}", str(tmp_path))
    with piped("--journal", path) as (process, said):
        said.until(b"JOURNAL " + path.encode())
        said.until(b"RUNNING 24")
        assert stopped(process) == 0
        said.drain()
    assert b"Traceback" not in said.said and b"Errno" not in said.said


@pytest.mark.full
def test_without_boards_it_says_so_and_counts(tmp_path: Path) -> None:
    with piped("--no-boards", "--journal", tmp_path / "j.sqlite3") as (process, said):
        said.until(b"no boards")
        said.until(b"RUNNING 24")
        assert b"north" not in said.said
        assert stopped(process) == 0


@pytest.mark.full
def test_plain_lines_on_a_terminal_with_its_keys(tmp_path: Path) -> None:
    with on_terminal(tmp_path, "--plain", drawn=b"north right") as terminal:
        terminal.answers("d", b"RUNNING 39")
        terminal.answers(":tuchdown\r", b"'tuchdown'")
        terminal.type("q")
        assert terminal.ended() == 0
        assert b"\x1b" not in terminal.output.said
        assert terminal.settings == terminal.before


@pytest.mark.full
def test_a_demonstration_on_a_terminal_keeps_the_keys(tmp_path: Path) -> None:
    with on_terminal(tmp_path, "--demo", drawn=b"shows 25") as terminal:
        terminal.answers(":count 77\r", b"shows 77")
        terminal.type("q")
        assert terminal.ended() == 0
        check_given_back(terminal)


@pytest.mark.full
def test_a_bug_ends_it_with_1_and_gives_the_terminal_back(tmp_path: Path) -> None:
    broken = "import controller.assembly.demo as d; d.SERIES = ((1.0, 'HORN'),); "
    program = [sys.executable, "-I", "-S", "-c", START + broken + MAIN]
    with on_terminal(tmp_path, "--demo", program=program, drawn=LEAVES) as terminal:
        assert terminal.ended() == 1
        assert terminal.settings == terminal.before
        said = terminal.output.said
        assert b"Traceback" not in said
        after = said[said.rindex(LEAVES) + len(LEAVES) :]
        head, fault = after.splitlines()
        assert head.startswith(b"the record ends with ")
        assert fault.startswith(b"playclock run: ended by a fault: ") and b"HORN" in fault


# Installations


@pytest.mark.full
def test_an_installation_is_not_ended_by_one_key(tmp_path: Path) -> None:
    config = configure(tmp_path, SIMULATED)
    with on_terminal(tmp_path, "--config", config) as terminal:
        terminal.answers("q", b":quit")
        terminal.answers("d", b"shows 39")
        terminal.type(":quit\r")
        assert terminal.ended() == 0
        check_given_back(terminal)


@pytest.mark.full
def test_an_installation_without_boards_can_be_asked_to_run(tmp_path: Path) -> None:
    config = configure(tmp_path, 'state_folder = "{folder}/state"\n')
    with on_terminal(tmp_path, "--config", config, "--no-boards", drawn=b"no boards") as terminal:
        terminal.answers("d", b"RUNNING")
        assert terminal.stopped() == 0


@pytest.mark.full
def test_a_console_that_is_switched_off_shows_and_takes_no_keys(tmp_path: Path) -> None:
    handset = '[[handsets]]\ndriver = "simulated"\nid = 1\nrole = "keeper"\nlayout = "twelve"\n'
    config = configure(tmp_path, SIMULATED + handset + "[console]\nenabled = false\n")
    with on_terminal(tmp_path, "--config", config) as terminal:
        assert terminal.settings == terminal.before
        assert b"DEAD BALL: " not in terminal.output.said
        assert terminal.stopped() == 0


@pytest.mark.full
@pytest.mark.parametrize("number", STOPS)
@pytest.mark.parametrize("options", [[], ["--plain"]])
def test_a_missing_port_is_a_fault_that_is_told_and_not_the_end(
    tmp_path: Path, options: list[str], number: signal.Signals
) -> None:
    pair(tmp_path)
    with piped("--config", configure(tmp_path), *options, program=WITH_PYSERIAL) as (clock, said):
        for port in ("boards", "receiver"):
            said.until(f"{tmp_path}/{port}: cannot open: No such file or directory".encode())
        assert clock.poll() is None
        assert stopped(clock, number) == 0


@pytest.mark.full
def test_a_missing_pyserial_is_a_fault_that_is_told_and_tried_again(tmp_path: Path) -> None:
    pair(tmp_path)
    late = tmp_path / "late"
    late.mkdir()
    code = START + f"sys.path.append({str(late)!r}); " + MAIN
    program = [sys.executable, "-I", "-S", "-c", code]
    with piped("--config", configure(tmp_path), "--plain", program=program) as (clock, said):
        said.until(f"{tmp_path}/boards: cannot open: ".encode())
        said.until(b"pyserial is not installed")
        asked = tmp_path / "asked"
        (late / "serial.py").write_text(f"open({str(asked)!r}, 'w').close()\nraise OSError(6)\n")
        until(asked.exists, "asked for pyserial again")
        assert clock.poll() is None
        assert stopped(clock) == 0
        said.drain()
    assert b"Traceback" not in said.said


@pytest.mark.parametrize("below", ["", "/state"])
def test_a_state_folder_that_is_none(tmp_path: Path, below: str) -> None:
    (tmp_path / "occupied").write_text("a file")
    folder = f"{tmp_path}/occupied{below}"
    config = configure(tmp_path, SIMULATED.replace("{folder}/state", folder))
    command = [*ISOLATED, "run", "--config", str(config)]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert ended.returncode == 2
    assert f"state_folder = {folder}: is not a folder" in ended.stderr
    assert "Traceback" not in ended.stderr
