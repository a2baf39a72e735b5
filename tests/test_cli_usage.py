"""Usage: help, wrong options word for word, what `--help` loads and how long it takes."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

import pytest

from cli import exits
from cli.main import COMMANDS, main
from tests.builders_catalogue import ROOT, run_python

HEAVY = ("numba", "scipy", "tslearn", "sqlalchemy", "polars", "matplotlib")


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of one command, through `main`."""
    with pytest.raises(SystemExit) as ended:
        main(list(arguments))
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["check"], "check: expected FILE or --manifest, found neither; name one of them"),
        (["add"], "add: expected FILE or --manifest, found neither; name one of them"),
        (
            ["check", "a.csv", "--manifest", "m.csv"],
            "check: expected FILE or --manifest, found both; name one of them",
        ),
        (
            ["check", "a.csv"],
            "a.csv: expected --system, found none; name what was probed, "
            "`straygauge systems` lists them",
        ),
        (
            ["check", "a.csv", "--system", "can-hs", "--alpha", "0"],
            "check: expected --alpha above 0 and at most 0.5, found 0; 0.05 is usual",
        ),
        (
            ["check", "a.csv", "--system", "can-hs", "--json-lines", "o.jsonl"],
            "a.csv: expected --json-lines beside --manifest only, found FILE; "
            "use --json for one file",
        ),
        (
            ["check", "a.csv", "--system", "can-hs", "--picture", "o.svg"],
            "o.svg: expected a picture's name ending in .png, found '.svg'; "
            "write for instance --picture capture.png",
        ),
        (
            ["check", "--manifest", "m.csv", "--rate", "1000"],
            "m.csv: expected a manifest alone, found --rate beside it; "
            "write it in the manifest's lines",
        ),
        (
            ["check", "--manifest", "m.csv", "--picture", "o.png"],
            "m.csv: expected --picture with one FILE, found --manifest; "
            "check the capture to be drawn by itself",
        ),
        (
            ["check", "--manifest", "none.csv"],
            "none.csv: no such manifest; check the path",
        ),
        (
            ["add", "--manifest", "m.csv", "--vehicle", "v"],
            "m.csv: expected a manifest alone, found --vehicle beside it; "
            "write it in the manifest's lines",
        ),
        (
            ["add", "a.csv", "--system", "can-hs"],
            "a.csv: expected --label good or fault, found none; say which it is",
        ),
        (
            ["add", "a.csv", "--system", "can-hs", "--label", "good"],
            "a.csv: expected --vehicle, found none; "
            "any word that tells this car from others will do",
        ),
        (
            ["add", "a.csv", "--system", "can-hs", "--all-or-nothing"],
            "a.csv: expected --all-or-nothing beside --manifest only, found FILE; leave it out",
        ),
        (
            ["add", "a.csv", "-s", "can-hs", "--label", "good", "--vehicle", "v", "--tag", "x"],
            "a.csv: expected --tag NAME=VALUE, found 'x'; write for instance shop=north",
        ),
        (
            ["systems", "can-highspeed"],
            "system 'can-highspeed': no card of that name; nearest: can-hs; "
            "`straygauge systems` lists them all",
        ),
    ],
)
def test_wrong_usage_is_one_line(capsys, monkeypatch, tmp_path, arguments, text):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STRAYGAUGE_CATALOGUE", str(tmp_path / "c.sqlite"))
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (exits.CANNOT_BE_USED, "")
    first, end = err.split("\n", 1)
    assert end == "" and first.removeprefix("straygauge: ").split("; see `")[0] == text
    assert not list(tmp_path.iterdir()), "nothing was made on the way"


@pytest.mark.parametrize(
    ("arguments", "begins", "ends"),
    [
        (["chekc"], "No such command 'chekc'", "; see `straygauge --help`"),
        (
            ["check", "a", "--sytem", "x"],
            "No such option: --sytem",
            "; see `straygauge check --help`",
        ),
        (["show"], "Missing argument 'ID'", "; see `straygauge show --help`"),
        (["show", "x"], "Invalid value for 'ID': ", "; see `straygauge show --help`"),
        (
            ["check", "a", "--coupling", "gnd"],
            "Invalid value for '--coupling': 'gnd' is not one of 'ac', 'dc'",
            "; see `straygauge check --help`",
        ),
    ],
)
def test_wrong_options_are_one_line(capsys, arguments, begins, ends):
    """The words in the middle are typer's and change with its version."""
    code, out, err = run(capsys, *arguments)
    assert (code, out, err.count("\n")) == (exits.CANNOT_BE_USED, "", 1)
    assert err.startswith(f"straygauge: {begins}") and err.endswith(f"{ends}\n")


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help(capsys, name):
    code, out, err = run(capsys, name, "--help")
    assert (code, err) == (0, "")
    assert COMMANDS[name].__doc__.split()[0] in out


def test_no_arguments_show_the_help(capsys):
    code, out, _ = run(capsys)
    assert code == exits.CANNOT_BE_USED
    assert out == run(capsys, "--help")[1]


@pytest.mark.parametrize("arguments", ["--help", "check --help", "systems", "check", "nope"])
def test_nothing_heavy_is_loaded(arguments):
    printed = run_python(
        "import sys\nfrom cli.main import main\n"
        f"try:\n    main({arguments.split()!r})\n"
        "except SystemExit:\n    pass\n"
        f"print('loaded:', *[name for name in {HEAVY!r} if name in sys.modules])"
    )
    assert printed.splitlines()[-1] == "loaded:"


def test_help_is_quick():
    """At most 2.5 times what importing typer alone takes; measured side by side, median of 7."""

    def took(*command: str) -> float:
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, *command], cwd=ROOT, check=True, stdout=subprocess.DEVNULL, timeout=60
        )
        return time.perf_counter() - start

    pairs = [(took("-m", "cli.main", "--help"), took("-c", "import typer")) for _ in range(7)]
    assert statistics.median(ours / theirs for ours, theirs in pairs) <= 2.5
