"""``warmheap check`` as a command, in real time, on the kernel's files in a folder: answers, endings, refusals."""

import json
import os
import pty
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from board_bench import FILE
from board_rig import SysTree, loop_pid, pwm_duties
from waiting import seconds_until

from warmheap.check import NAMES
from warmheap.check_host import PROBE
from warmheap.cli import main

ROOT = Path(__file__).parents[2]
FAHRENHEIT = """
[page]
temperature = "degF"
"""
SAFE_S = 2.0


class Board:
    """A board of files in its own folder."""

    def __init__(self, path):
        self.path = path
        path.mkdir()
        self.tree = SysTree(path / "sys")
        self.tree.files = [self.tree.pwm_channel(0, channel) for channel in (0, 1)]
        self.tree.probe("28-0000000000a1", b"62000\n")
        self.tree.probe("28-0000000000a2", b"14000\n")
        self.tree.chip("hwmon", 0, "ina226", "1-0040", {"in1_input": "12700"})
        (path / "g.toml").write_text(FILE)

    def start(self, *words, verb="check", state="state", **pipes):
        command = [sys.executable, "-m", "warmheap", verb, str(self.path / "g.toml"), "--state", str(self.path / state)]
        env = os.environ | {"WARMHEAP_SYS": str(self.tree.root), "PYTHONPATH": str(ROOT), "COLUMNS": "40"}
        pipes = {name: subprocess.PIPE for name in ("stdin", "stdout", "stderr")} | pipes
        return subprocess.Popen([*command, *words], cwd=self.path, env=env, start_new_session=True, text=True, **pipes)

    def run(self, *words, answers="", **changes):
        process = self.start(*words, **changes)
        out, err = process.communicate(answers, timeout=60)
        return process.returncode, out, err

    def duties(self):
        return pwm_duties(self.tree)

    def driving(self):
        return seconds_until(lambda: self.duties()[0] > 0, 25.0) < 25.0


@pytest.fixture
def board(tmp_path):
    return Board(tmp_path / "board")


class Typist:
    """A check on a terminal, with answers typed before anything was asked."""

    def __init__(self, board):
        self.board, self.said = board, board.path / "said"
        self.ours, theirs = pty.openpty()
        with self.said.open("w") as stream:
            self.process = board.start("--only", "pump", stdin=theirs, stdout=stream, stderr=subprocess.STDOUT)
        os.close(theirs)
        self.type("y\ny\n")

    def type(self, text):
        os.write(self.ours, text.encode())


@pytest.fixture(scope="module", autouse=True)
def meanwhile(tmp_path_factory):
    """Checks that need nothing but time; they go on while the other tests run. Gives (exit code, out, err) by name."""
    path = tmp_path_factory.mktemp("meanwhile")
    boards = {name: Board(path / name) for name in ("piped", "yes", "full", "chipless", "typed")}
    (boards["yes"].tree.w1 / "28-0000000000a2" / "temperature").write_bytes(b"85000\n")
    (boards["yes"].path / "g.toml").write_text(FILE + FAHRENHEIT)
    (boards["full"].path / "state").mkdir()
    (boards["full"].path / "state" / PROBE).symlink_to("/dev/full")
    (boards["chipless"].tree.pwm / "pwmchip0").rename(boards["chipless"].tree.pwm / "pwmchip7")
    words = ["--yes", "--json", "--state", str(path / "sim"), "--only", "sensors", "pump", "fan", "battery", "swap"]
    command = [sys.executable, "-m", "warmheap", "check", "--plant", str(ROOT / "scenarios/small-pile.toml"), *words]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    typist = Typist(boards["typed"])
    started = {
        "piped": boards["piped"].start("--only", "sensors", "pump", "battery"),
        "yes": boards["yes"].start("--yes", "--json", "--only", "sensors", "pump", stdin=subprocess.DEVNULL),
        "full": boards["full"].start("--yes", "--only", "sensors", "pump", stdin=subprocess.DEVNULL),
        "chipless": boards["chipless"].start("--yes", "--only", "sensors", "battery", stdin=subprocess.DEVNULL),
        "sim": subprocess.Popen(command, cwd=ROOT, start_new_session=True, **pipes),
    }
    started["piped"].stdin.write("y\ny\ny\n")
    started["piped"].stdin.close()
    started["piped"].stdin = None
    ended = {"typist": typist}

    def result(name):
        if name not in ended:
            out, err = started[name].communicate(timeout=170)  # the first one compiles the simulator
            ended[name] = started[name].returncode, out, err
        return ended[name]

    yield result
    for process in (*started.values(), typist.process):
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
    os.close(typist.ours)


@pytest.fixture
def boards(tmp_path):
    """Several checks that drive their pumps and wait for an answer; ended whatever happens."""
    started = {}

    def make(names):
        for name in names:
            made = Board(tmp_path / name)
            started[name] = (made, made.start("--only", "pump"))
            started[name][1].stdin.write("y\n")
            started[name][1].stdin.flush()
        for name, (made, process) in started.items():
            assert made.driving(), (name, process.communicate(timeout=5))
        return started

    yield make
    for _, process in started.values():
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)


def guardian_pid(process):
    """The guardian is the one child of the foreground process."""
    return loop_pid(process)


def check_pid(process):
    guardian = guardian_pid(process)
    return int(Path(f"/proc/{guardian}/task/{guardian}/children").read_text().split()[0])


def strike(process, name):
    if name in ("kill check", "stop check"):
        os.kill(check_pid(process), signal.SIGKILL if name == "kill check" else signal.SIGSTOP)
    elif name == "kill both":
        for pid in (check_pid(process), guardian_pid(process)):
            os.kill(pid, signal.SIGKILL)
    elif name == "kill guardian":
        os.kill(guardian_pid(process), signal.SIGKILL)
    elif name == "kill front":
        process.kill()
    elif name == "hang up":
        os.killpg(process.pid, signal.SIGHUP)  # as a lost ssh line does
    elif name == "interrupt":
        os.killpg(process.pid, signal.SIGINT)
    else:
        process.terminate()


ENDS = {"kill check": 1, "stop check": 1, "kill both": 1, "kill guardian": 130, "kill front": -9, "hang up": 130,
        "interrupt": 130, "terminate": 130}  # fmt: skip


def test_outputs_are_off_within_two_seconds_of_any_end_and_nothing_starts_again(boards):
    started, since = boards(ENDS), {}
    for name, (_, process) in started.items():
        strike(process, name)
        since[name] = time.monotonic()
    for name, (board, _) in started.items():
        assert seconds_until(lambda board=board: board.duties() == [0, 0], 5.0) < 5.0, name
        assert time.monotonic() - since[name] < SAFE_S, name
    for name, (board, process) in started.items():
        out, err = process.communicate(timeout=15)
        assert process.returncode == ENDS[name], (name, out, err)
        assert ("cut off" in err) == (ENDS[name] == 1) and ("Stopped before the end" in out) == (ENDS[name] != 1)
        assert "Traceback" not in err and board.duties() == [0, 0], name
    time.sleep(1.5)
    assert all(board.duties() == [0, 0] for board, _ in started.values())


def test_answers_may_be_piped_in_and_lines_fit_a_phone(meanwhile):
    code, out, err = meanwhile("piped")
    assert code == 0, out + err
    assert "heard running, and stopping" in " ".join(out.split()) and "Nothing is wrong" in out
    assert "12.70 V at rest" in out and err == ""
    assert max(map(len, out.splitlines())) <= 40


def test_yes_moves_without_a_question_and_json_is_one_object(meanwhile):
    code, out, err = meanwhile("yes")
    said = json.loads(out)
    found = {f["name"]: f for f in said["findings"]}
    assert code == 1 and not said["ok"] and said["wrong"] == 1 and not said["stopped"] and said["date"] > "2025"
    assert found["sensor water_supply"]["verdict"] == "wrong" and "red wire" in found["sensor water_supply"]["mend"]
    assert found["sensor pile_core"]["values"]["value"] == 62.0  # SI for machines, the grower's units for people
    assert "sensor pile_core: 143.6 °F" in " ".join(err.split())
    assert found["pump"]["verdict"] == "unknown" and "goes on" not in err and "starts now" in err


def test_a_full_disk_lets_sensors_be_told_and_nothing_move(meanwhile):
    code, out, _ = meanwhile("full")
    said = " ".join(out.split())
    assert code == 1 and "No space left on device" in said
    assert "sensor pile_core: 62 °C" in said and "pump: not moved" in said


def test_outputs_that_cannot_be_opened_let_the_rest_be_told(meanwhile):
    code, out, _ = meanwhile("chipless")
    said = " ".join(out.split())
    assert code == 1 and "there is no such chip; here: pwmchip7" in said
    assert "sensor pile_core: 62 °C" in said and "pump battery: 12.70 V at rest, not loaded" in said
    assert out.count("Roll-call") == 1


def test_a_run_that_holds_the_outputs_is_not_disturbed(board):
    run = board.start("--tick", "1", "--no-page", verb="run", state="theirs")
    try:
        held = board.path / "theirs" / "outputs.json"
        assert seconds_until(held.exists) < 20.0
        for state in ("theirs", "mine"):
            code, out, err = board.run("--yes", state=state)
            assert code == 2 and out == "" and err.count("\n") == 1 and "stop it first" in err, err
        assert run.poll() is None and not (board.path / "mine").exists()
    finally:
        run.terminate()
        run.communicate(timeout=15)


def test_on_a_terminal_what_was_typed_before_the_question_does_not_count(meanwhile):
    typist = meanwhile("typist")
    board, process = typist.board, typist.process
    assert seconds_until(lambda: "leaves it" in " ".join(typist.said.read_text().split()), 20.0) < 20.0
    time.sleep(0.5)
    assert board.duties() == [0, 0], "a stray y started the pump"
    typist.type("y\n")
    assert board.driving()
    typist.type("n\n")
    assert process.wait(15) == 1 and board.duties() == [0, 0]
    assert "it does not run" in typist.said.read_text()


def refused(capsys, *words):
    code = main(["check", *map(str, words)])
    out, err = capsys.readouterr()
    assert code == 2 and out == "" and err.count("\n") == 1, err
    return err


def test_bad_usage_is_refused_in_one_line(board, capsys):
    file = board.path / "g.toml"
    assert f"no such check; there are {', '.join(NAMES)}" in refused(capsys, file, "--only", "pumps")
    assert "cannot read" in refused(capsys, board.path / "none.toml")
    assert "--seed -1" in refused(capsys, file, "--seed", "-1")
    assert "no such thing" in refused(capsys, "--plant", ROOT / "scenarios/small-pile.toml", "--only", "hold")
    file.write_text('[pump]\npin = "x"\n')
    assert "pump.pin" in refused(capsys, file)
    file.write_text('[water]\nsupply_target = "38 degC"\n')
    assert "does not say where pump and fan are connected" in refused(capsys, file)


def test_the_simulated_greenhouse_is_checked_by_the_same_words(meanwhile):
    code, out, err = meanwhile("sim")
    found = {f["name"]: f for f in json.loads(out)["findings"]}
    assert code == 0, out + err
    assert {found[name]["verdict"] for name in ("pump", "fan", "fan direction", "pump battery", "supply/return")} == {
        "ok"
    }
    assert found["pump"]["values"]["water_flow_kg_s"] > 0.05
