"""The documents keep up with the program: generated pages, links, commands, definitions."""

from __future__ import annotations

import importlib.util
import json
import re
import shlex
from pathlib import Path

import click
import pytest

from foldtrue.cli import foldtrue
from foldtrue.flags import FLAGS

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.rglob("*.md"))]
IDS = [str(page.relative_to(ROOT)) for page in PAGES]


def generator():
    spec = importlib.util.spec_from_file_location("make_pages", DOCS / "make_pages.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def commands(group=foldtrue, path=("foldtrue",)):
    for name, command in group.commands.items():
        yield (*path, name), command
        if isinstance(command, click.Group):
            yield from commands(command, (*path, name))


@pytest.mark.parametrize("name", ["cli.md", "flags.md"])
def test_generated_pages_are_current(name):
    assert (DOCS / name).read_text("utf-8") == generator().PAGES[name](), "run python docs/make_pages.py"


@pytest.mark.parametrize(("path", "command"), list(commands()), ids=lambda value: str(value))
def test_every_command_and_option_has_help(path, command):
    assert command.help
    assert all(param.help for param in command.params if isinstance(param, click.Option))


@pytest.mark.parametrize("page", PAGES, ids=IDS)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
        if not target.startswith(("http:", "https:")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


@pytest.mark.parametrize("page", PAGES, ids=IDS)
def test_commands_in_the_documents_exist_with_their_options(page):
    known = {" ".join(path[1:]): command for path, command in commands()}
    for line in re.findall(r"(?:^\$ |`|/)foldtrue ([a-z]+ [^`\n]*)", page.read_text("utf-8"), re.M):
        words = shlex.split(line.split("&&")[0])
        name = next((n for n in (" ".join(words[:2]), words[0]) if n in known), None)
        if name is None:
            continue
        command = known[name]
        options = {name for param in command.params for name in param.opts}
        assert {word for word in words if word.startswith("--")} <= options, line


def test_readme_sets_everything_up_in_exactly_two_commands():
    blocks = re.findall(r"^```sh\n(.*?)^```", (ROOT / "README.md").read_text(), re.M | re.S)
    assert len(blocks) == 1
    measure, test = blocks[0].splitlines()
    assert "foldtrue piece sample_images/" in measure
    assert "pytest" in test
    for word in measure.split():
        if word.startswith("sample_images/"):
            assert (ROOT / word).exists()


def test_readme_says_first_what_it_is_for():
    first = (ROOT / "README.md").read_text().split("\n\n")[1]
    assert "measures" in first
    assert "not a certified measurement" in (ROOT / "README.md").read_text()


def test_flow_names_modules_that_exist():
    package = ROOT / "inspect" / "foldtrue"
    for name in re.findall(r"`([a-z_/]+\.py)(?:::[a-z_0-9]+)?`", (DOCS / "flow.md").read_text()):
        assert (package / name).exists() or (package / "report" / name).exists(), name


def test_the_schema_explains_the_words_of_the_register():
    text = json.dumps(json.loads((DOCS / "result.schema.json").read_text()))
    assert "docs/flags.md" in text
    assert all(name in (DOCS / "flags.md").read_text() for name in FLAGS)
