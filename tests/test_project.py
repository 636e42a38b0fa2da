"""The project's own rules: imports, style, types, documents."""

from __future__ import annotations

import ast
import importlib
import re
import shlex
import subprocess
import sys
import tomllib
from importlib.metadata import distributions
from pathlib import Path

import pytest
from called import called
from conftest import LONGEST_FIRST

ROOT = Path(__file__).resolve().parents[1]
BIN = Path(sys.executable).parent
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def passes(*command: str) -> None:
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_imports_point_down():
    passes(str(BIN / "lint-imports"))


def test_ruff_has_nothing_to_say():
    passes(str(BIN / "ruff"), "check", ".")


def test_the_code_is_formatted():
    passes(str(BIN / "ruff"), "format", "--check", ".")


def test_types_hold_strictly():
    passes(str(BIN / "mypy"))


LINES_OF_A_MODULE, LINES_OF_A_FUNCTION = 500, 60


def functions_of(path: Path) -> dict[str, int]:
    """Lines of each function of a module, its decorators left out."""
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    found = [one for one in ast.walk(ast.parse(path.read_text())) if isinstance(one, kinds)]
    return {one.name: (one.end_lineno or 0) - one.lineno + 1 for one in found}


def test_modules_and_functions_fit_on_a_few_screens_and_one():
    package = ROOT / "knee_angle"
    long = {}
    for path in sorted(package.rglob("*.py")):
        name = str(path.relative_to(package))
        functions = {f for f, n in functions_of(path).items() if n > LINES_OF_A_FUNCTION}
        if functions or len(path.read_text().splitlines()) > LINES_OF_A_MODULE:
            long[name] = functions
    assert long == {}


def test_importing_the_package_loads_no_model_and_no_picture_library():
    code = (
        "import sys, knee_angle; "
        "heavy = ('cv2', 'PIL', 'mediapipe', 'streamlit', 'onnxruntime'); "
        "print([m for m in heavy if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


DRAWING = {"rendered_clips"}
"""It draws by the trainer's renderer, which the test environment does not hold."""


def test_every_bench_can_be_begun(monkeypatch):
    monkeypatch.syspath_prepend(ROOT / "tests" / "bench")
    names = {path.stem for path in (ROOT / "tests" / "bench").glob("*.py")} - DRAWING
    assert len(names) > 40
    for name in sorted(names):
        importlib.import_module(name)


def test_no_example_stands_where_none_is_looked_for():
    """`conftest.pytest_collect_file` leaves the docstrings of the tests out."""
    mark = ">" * 3 + " "
    assert [path.name for path in (ROOT / "tests").rglob("*.py") if mark in path.read_text()] == []


OWN = {"__init__", "__main__"}


def test_every_module_stands_in_the_module_table():
    """Twenty rooms at most, what Python asks for by name left out: the listing tells the job."""
    names = {
        path.stem if path.is_file() else path.name
        for path in (ROOT / "knee_angle").iterdir()
        if (path.suffix == ".py" or (path.is_dir() and path.name != "__pycache__"))
        and path.name != "__init__.py"
    }
    house = DEVELOPERS.partition("## The house\n")[2].partition("\n## ")[0]
    table = re.findall(r"^\| `([\w.]+)` \|", house, re.MULTILINE)
    rooms = {re.sub(r"\.py$", "", one) for one in table}
    assert names | {"app"} == rooms
    assert len(names - OWN) <= 20


NOT_LISTED = {"knee_angle", "migrations", "versions"}
"""The house is the table of DEVELOPERS.md; what Alembic asks for has its names."""


def test_every_package_lists_its_modules():
    """In its docstring, in backquotes."""
    unlisted = []
    for package in sorted((ROOT / "knee_angle").rglob("__init__.py")):
        listed = ast.get_docstring(ast.parse(package.read_text())) or ""
        modules = {path.stem for path in package.parent.glob("*.py")} - OWN
        if package.parent.name not in NOT_LISTED:
            unlisted += [
                f"{package.parent.name}/{one}" for one in modules if f"`{one}`" not in listed
            ]
    assert sorted(unlisted) == []


def test_the_top_level_holds_what_was_agreed():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert top == {
        ".ci", ".gitignore", ".streamlit",
        "README.md", "DEVELOPERS.md", "pyproject.toml", "app.py", "knee_angle", "tests",
        "sample_images", "LICENSE", "CHANGELOG.md", "CITATION.cff",
    }  # fmt: skip


def test_the_readme_opens_with_the_job():
    first = README.split("\n\n")[1]
    assert "flexion" in first
    assert "display" in first


def readme_commands() -> list[list[str]]:
    """The knee-angle lines of each of the README's shell blocks."""
    blocks = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    lines = [[x for x in block.splitlines() if x.startswith("knee-angle")] for block in blocks]
    return [block for block in lines if block]


def shown(text: str) -> list[str]:
    """Its lines, figures as #: another machine's arithmetic may round one the other way."""
    return [re.sub(r"\d+", "#", line.rstrip()) for line in text.splitlines()]


def readme_examples() -> list[tuple[str, str]]:
    """Commands whose output the README shows, with what it shows."""
    return re.findall(r"```sh\n(knee-angle [^\n]*)\n```[^`]*```text\n(.*?)```", README, re.DOTALL)


@pytest.mark.parametrize(
    ("command", "told"), readme_examples(), ids=[command for command, _ in readme_examples()]
)
def test_what_the_readme_shows_is_what_the_command_prints_first(command, told, tmp_path):
    (tmp_path / "sample_images").symlink_to(ROOT / "sample_images")
    done = subprocess.run(
        [sys.executable, "-m", "knee_angle", *shlex.split(command)[1:]],
        cwd=tmp_path, capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    lines = shown(told)
    assert lines == shown(done.stdout)[: len(lines)]
    assert [line.split()[0] for line in lines[1:]] == ["LIMIT", "KNEE", "APART", "DO", "DO", "SURE"]


@pytest.mark.parametrize(
    "name",
    ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "sample_images/README.md"],
)
def test_what_a_document_points_to_is_there(name):
    page = ROOT / name
    pointed = re.findall(r"\]\(([^)#:]+)\)|<img src=\"([^\"]+)\"", page.read_text())
    lost = [a or b for a, b in pointed if not (page.parent / (a or b)).exists()]
    assert lost == []


def test_the_citation_is_of_this_version_and_names_no_person():
    citation = (ROOT / "CITATION.cff").read_text()
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert f"\nversion: {project['version']}\n" in citation
    assert f"\nlicense: {project['license']}\n" in citation
    assert "\nauthors:\n  - name: The knee_angle developers\nversion" in citation


def test_the_readme_stays_short_and_the_glossary_on_a_page():
    assert len(re.sub(r"```.*?```", "", README, flags=re.DOTALL).split()) <= 1000
    glossary = DEVELOPERS.partition("## Glossary\n")[2].partition("\n## ")[0].strip()
    assert len(glossary.splitlines()) <= 40


CONFIRMED = ("written: ", "knee-angle: kept as ")
"""What a command says besides its answer when all is well."""


@pytest.mark.parametrize("lines", readme_commands(), ids=lambda lines: lines[0])
def test_readme_commands_run(lines, tmp_path):
    """In their order, in one folder: a later line may need what an earlier one made."""
    (tmp_path / "sample_images").symlink_to(ROOT / "sample_images")
    for line in lines:
        done = called(*shlex.split(line)[1:], cwd=tmp_path)
        lines_said = done.stderr.splitlines(True)
        said = "".join(x for x in lines_said if not x.startswith(CONFIRMED))
        assert (line, done.returncode, said) == (line, 0, "")


def test_the_readmes_set_up_commands_name_what_exists():
    begin = "python3 -m venv .venv && . .venv/bin/activate && pip install -e "
    assert f"{begin}'.[full]' && knee-angle demo\n" in README
    assert f"{begin}'.[test]' && pytest -n 3 --dist loadfile\n" in README
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert "test" in project["optional-dependencies"]
    assert "knee-angle" in project["scripts"]


def test_the_command_reference_holds_every_command_and_option_as_they_are(tmp_path):
    """Made by the command in DEVELOPERS.md; stale means that it was not run."""
    made = tmp_path / "REFERENCE.md"
    passes(
        sys.executable, "-m", "typer", "knee_angle.cli", "utils", "docs",
        "--name", "knee-angle", "--title", "Commands", "--output", str(made),
    )  # fmt: skip
    assert made.read_text() == (ROOT / "knee_angle" / "cli" / "REFERENCE.md").read_text()


def test_one_opencv_wheel_only():
    """Two cv2 wheels overwrite each other: mediapipe's own is the only one."""
    wheels = [one.name for one in distributions() if one.name.lower().startswith("opencv")]
    assert len(wheels) == 1


@pytest.mark.parametrize("marker", ["system", "test"])
def test_ci_runs_the_readmes_commands(marker):
    """What the script takes from the README is the whole command that a reader is told."""
    script = (ROOT / ".ci" / "run").read_text()
    assert f"$(said {marker}-command)" in script
    extract = re.search(r"^said\(\) .*$", script, re.MULTILINE).group()
    said = subprocess.run(
        ["bash", "-c", f"{extract}\nsaid {marker}-command"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    told = re.search(rf"<!-- {marker}-command -->\n+```sh\n(.+?\n)```", README, re.DOTALL)
    assert said == told.group(1)


def test_the_files_that_several_processes_take_first_are_there():
    there = {path.name for folder in (ROOT, ROOT / "tests") for path in folder.iterdir()}
    assert set(LONGEST_FIRST) <= there


@pytest.mark.parametrize("library", ["mediapipe", "onnxruntime", "streamlit"])
def test_a_library_that_can_call_home_stays_at_versions_that_were_watched(library):
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    lines = [*project["dependencies"], *project["optional-dependencies"]["page"]]
    (asked,) = [line for line in lines if line.startswith(library)]
    assert re.fullmatch(rf"{library}>=[\d.]+,<\d+\.\d+", asked)


def test_no_package_registry_or_machine_path_stands_in_a_file():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    hosts = (
        "pypi" + ".org",
        "pythonhosted" + ".org",
        "registry.npmjs" + ".org",
        "deb.debian" + ".org",
    )
    for name in listed.stdout.splitlines():
        path = ROOT / name
        if path.suffix in {".py", ".md", ".toml", ".txt", ".cfg", ".yml"} and path.is_file():
            text = path.read_text()
            assert not any(host in text for host in hosts), name
