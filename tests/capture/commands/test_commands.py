"""The group of commands: lazily loaded, one line for each trouble, no traceback for the user."""

from __future__ import annotations

import importlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import click
import pytest

from capture import commands
from capture.commands import COMMANDS, run
from config.errors import LinkError

ROOT = Path(__file__).parents[3]
START = "from capture.commands import main; main()"
# A shell starts what runs in the background deaf to Ctrl-C, and so these tests' children too.
LISTENS = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "


def hubproof(*arguments: str, code: str = START) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *arguments], cwd=ROOT, capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_of_commands_says_what_each_says_of_itself(name: str) -> None:
    command = importlib.import_module(f"capture.commands.{name}").command
    assert isinstance(command, click.Command)
    assert command.get_short_help_str(limit=200) == COMMANDS[name]


def test_help_lists_every_command_and_loads_none(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--help"]) == 0
    shown = capsys.readouterr().out
    for name, text in COMMANDS.items():
        assert f"  {name}" in shown
        assert text in shown
    loaded = hubproof(
        code="import sys\nfrom capture.commands import run\nrun(['--help'])\n"
        "print(sorted(sys.modules), file=sys.stderr)"
    ).stderr
    for heavy in ("numpy", "pint", "pydantic", "rich", "sqlite3", "asyncio", "capture.commands.analyse"):
        assert f"'{heavy}'" not in loaded


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_a_group_tells_each_command_whole(
    name: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert run([name, "--help"]) == 0
    assert not [line for line in capsys.readouterr().out.splitlines()[1:] if line.endswith("...")]


def test_help_is_there_before_anyone_waits() -> None:
    """The budget is 0.25 s; CPU time is compared, so that a busy machine does not fail it."""
    code = (
        "import os\nfrom capture.commands import run\nrun(['--help'])\n"
        "import sys\nsys.stderr.write(str(sum(os.times()[:2])))"
    )
    assert float(hubproof(code=code).stderr) < 0.25


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("hubproof ")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["wobble"], "hubproof: No such command 'wobble'; see 'hubproof --help'"),
        (["analyze"], "hubproof: No such command 'analyze'. Did you mean 'analyse'? see 'hubproof --help'"),
        (
            ["analyse", "--kind", "runout"],
            "hubproof analyse: Missing argument 'FILE...'; see 'hubproof analyse --help'",
        ),
        (["--nonsense"], "hubproof: No such option '--nonsense'; see 'hubproof --help'"),
        (
            ["runs", "list", "--last", "0"],
            "hubproof runs list: Invalid value for '--last': 0 is not in the range x>=1;"
            " see 'hubproof runs list --help'",
        ),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(arguments) == 2
    told = capsys.readouterr()
    assert (told.out, told.err) == ("", message + "\n")


@pytest.mark.parametrize("arguments", [[], ["runs"]])
def test_nothing_asked_for_shows_the_help_as_it_is_laid_out(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(arguments) == 2
    told = capsys.readouterr()
    run([*arguments, "--help"])
    assert (told.out, told.err) == ("", capsys.readouterr().out)


def test_a_foreseen_trouble_is_one_line_with_its_status(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    @click.command()
    def fails() -> None:
        raise LinkError("the port\nis gone", where="bench", do="plug it in")

    monkeypatch.setattr(commands.group, "get_command", lambda ctx, name: fails)
    assert run(["anything"]) == LinkError.exit_status
    assert capsys.readouterr().err == "bench: the port is gone; plug it in\n"


@pytest.mark.parametrize("stopped", [KeyboardInterrupt, click.Abort])
def test_ctrl_c_ends_quietly(
    stopped: type[BaseException], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    @click.command()
    def waits() -> None:
        raise stopped

    monkeypatch.setattr(commands.group, "get_command", lambda ctx, name: waits)
    assert run(["anything"]) == 130
    assert "Traceback" not in capsys.readouterr().err


def test_an_error_of_the_program_itself_is_one_line_and_its_details_are_kept(tmp_path: Path) -> None:
    code = (
        "import click, capture.commands as c\n"
        "@click.command()\ndef broken(): {}['x']\n"
        "c.group.get_command = lambda ctx, name: broken\n" + START
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "anything"],
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(tmp_path), "TEMP": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 70
    (details,) = tmp_path.iterdir()
    assert done.stderr == (
        f"an error in Hubproof itself: KeyError: 'x'; please report it with the file {details}\n"
    )
    assert "Traceback" in details.read_text()


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices of such systems")
@pytest.mark.parametrize(
    "arguments", [["schema", "runout"], ["--help"], ["analyse", "--kind", "endplay", "strokes.csv"]]
)
def test_a_reader_that_has_enough_is_no_error(arguments: list[str], tmp_path: Path) -> None:
    """Never a status that means `over`, whichever library meets the closed pipe."""
    rows = [f"{n / 25},{0.03 * (n // 40 % 2)}" for n in range(240)]
    (tmp_path / "strokes.csv").write_text("\n".join(["time_s,reading_mm", *rows]))
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-c", START, *arguments],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=writer,
        stderr=subprocess.PIPE,
        check=False,
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full")
def test_a_full_disk_behind_the_output_is_one_line() -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-c", START, "schema", "runout"],
            cwd=ROOT, stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr == "the output: cannot be written: No space left on device\n"


def test_a_folder_that_cannot_be_made_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").touch()
    assert run(["demo", "--out", str(tmp_path / "file" / "demo")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.skipif(os.name != "posix", reason="a shell that closes standard input")
def test_a_closed_input_has_no_answers(tmp_path: Path) -> None:
    begun = ["study", "begin", "--indicator", "bench", "--quantity", "runout", "--technician", "A"]
    assert hubproof(*begun, "--part", "1", "--part", "2", "--data", str(tmp_path)).returncode == 0
    command = f'exec {sys.executable} -c "{START}" study walk --data {tmp_path} <&-'
    done = subprocess.run(["bash", "-c", command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode != 70
    assert "an error in Hubproof" not in done.stderr


def test_a_sign_that_the_terminal_lacks_does_not_end_a_command(tmp_path: Path) -> None:
    trace = tmp_path / "trace.csv"
    trace.write_text("time_s,reading_mm\n0,0.010\n1,0.011\n")
    done = subprocess.run(
        [sys.executable, "-c", START, "analyse", "--kind", "runout", str(trace)],
        cwd=ROOT, capture_output=True, check=False, env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"? (95 %)" in done.stdout


@pytest.mark.skipif(os.name != "posix", reason="a pseudo-terminal")
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_a_simulated_indicator_speaks_until_it_is_stopped(sign: signal.Signals) -> None:
    from config.indicators import SerialLink, load_indicators

    process = subprocess.Popen(
        [
            sys.executable,
            "-c",
            LISTENS + START,
            "simulate",
            "serial",
            "--scenario",
            "sound-hub",
            "--port",
            "pty",
        ],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        port = process.stdout.readline().strip().removeprefix("port: ")
        file = Path(process.stdout.readline().split()[-1])
        assert process.stdout.readline() == "stop with Ctrl-C\n"
        (indicator,) = load_indicators(file)
        assert isinstance(indicator.link, SerialLink)
        assert (indicator.name, indicator.link.port, indicator.simulated) == ("bench", port, True)
        with open(port, "rb", buffering=0) as line:
            heard = b""
            while heard.count(b"\r\n") < 3:
                heard += line.read(64)
        assert b"mm " in heard
    finally:
        process.send_signal(sign)
        out, err = process.communicate(timeout=50)
    assert (process.returncode, err) == (0, "")
    assert out.splitlines()[-1] == "stopped"
    assert not file.exists()
    assert not Path(port).exists()


def test_an_unknown_scenario_or_indicator_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["simulate", "serial", "--scenario", "square-wheel"]) == 2
    assert capsys.readouterr().err.startswith(
        "--scenario: no scenario is named 'square-wheel'; expected one of"
    )
    assert run(["simulate", "serial", "--scenario", "sound-hub", "--indicator", "x"]) == 2
    assert capsys.readouterr().err.startswith(
        "--indicator: no indicator is named 'x'; expected one of: bench"
    )


@pytest.mark.parametrize(
    "arguments",
    [
        ["job", "list"],
        ["job", "history"],
        ["job", "show"],
        ["job", "decide"],
        ["study", "list"],
        ["study", "show"],
    ],
)
def test_a_folder_typed_wrongly_is_said_to_be_empty_and_not_made(
    arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*arguments, "--data", str(tmp_path / "none")]) == 2
    assert "there is no database yet; measure first, or name the folder" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
