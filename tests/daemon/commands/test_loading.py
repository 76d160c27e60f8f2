"""What a command loads before it works: bounded, since that is most of what a short command costs."""

import pytest

from daemon.commands.cli import COMMANDS, bellwatch_parser
from tests.rigs.loaded_modules import libraries, loaded, ours
from tests.rigs.places import EXAMPLE


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["frob"]])
def test_help_loads_no_command(arguments):
    modules = loaded(*arguments)
    its = ["daemon", "daemon.commands", "daemon.commands.cli", "daemon.errors"]
    assert ours(modules) == its + ["daemon.version"] * ("--version" in arguments)
    assert libraries(modules) == set()


def test_a_command_leaves_out_what_only_others_need():
    status = loaded("status", "--settings", str(EXAMPLE))
    assert libraries(status) >= {"pydantic", "rich"}, "else this test sees nothing"
    assert "paho" not in libraries(status)
    assert not [name for name in ours(status) if name.startswith(("daemon.watch", "daemon.oncall"))]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_of_the_table_has_a_module_that_makes_it_run(name):
    (commands,) = [action for action in bellwatch_parser()._actions if action.choices is not None]
    assert callable(commands.choices[name].get_default("command"))


def test_an_answer_to_a_call_leaves_out_the_process_and_its_page():
    answer = loaded("oncall", "ack", "41", "--settings", "none.toml")
    assert libraries(answer) >= {"pydantic"}, "else this test sees nothing"
    assert not {"paho", "jinja2"} & {name.split(".")[0] for name in answer}
    assert not [name for name in ours(answer) if name.startswith(("daemon.web", "daemon.broker"))]
