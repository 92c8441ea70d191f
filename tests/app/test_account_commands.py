"""`turnblue account` and `turnblue serve` at the command line."""

import json

import pytest
from click.testing import CliRunner

from app.cli import main

SECRET = "cedar lantern ninety gravel"


@pytest.fixture
def run(tmp_path, monkeypatch):
    import argon2

    real = argon2.PasswordHasher
    monkeypatch.setattr(argon2, "PasswordHasher", lambda: real(time_cost=1, memory_cost=8, parallelism=1))
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "home"))
    return lambda *words, typed="": CliRunner().invoke(main, ["account", *words], input=typed)


@pytest.fixture
def olive(run):
    assert run("add", "Olive", "--role", "owner", "--password-stdin", typed=SECRET + "\n").exit_code == 0


def test_list_before_the_first_says_what_that_means(run):
    assert run("list").output == "No accounts yet: nobody needs to sign in at this machine, and nobody else can.\n"


def test_made_up_password_is_printed_alone_on_standard_output(run):
    done = run("add", "Olive", "--role", "owner", "--generate")
    assert done.exit_code == 0
    assert len(done.stdout) == 20
    assert done.stderr == "Olive can sign in as owner.\n"


def test_password_is_asked_for_twice_and_not_shown(run):
    done = run("add", "Olive", "--role", "owner", typed=f"{SECRET}\n{SECRET}\n")
    assert done.exit_code == 0
    assert SECRET not in done.output
    assert done.stdout == ""


def test_whole_life_of_an_account(run, olive):
    assert run("add", "Robin", "--role", "tech", "--email", "robin@example.com", "--no-password").exit_code == 0
    assert run("list").output == ("Olive: owner, sees all pools\nRobin: tech, sees all pools, robin@example.com\n")
    assert run("change", "robin", "--role", "office", "--rename", "Robin K", "--email", "").exit_code == 0
    assert "Robin K: office, sees all pools\n" in run("list").output
    assert run("password", "Robin K", "--generate").exit_code == 0
    assert run("sign-out", "Robin K").stderr == "Robin K was signed in 0 times, and now nowhere.\n"
    assert "can no longer sign in" in run("close", "Robin K").stderr
    assert "Robin K: office, sees all pools, closed\n" in run("list").output
    assert run("reopen", "Robin K").exit_code == 0
    listed = [json.loads(line) for line in run("list", "--json").output.splitlines()]
    assert [(each["name"], each["role"], each["closed_at"]) for each in listed] == [
        ("Olive", "owner", None), ("Robin K", "office", None),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("add", "Robin", "--role", "tech", "--pool", "Nowhere", "--generate"), 1, "No pool is called 'Nowhere'."),
        (("add", "olive", "--role", "tech", "--generate"), 1, "Another account has that name."),
        (("add", "Robin", "--role", "tech", "--no-password"), 1, "nobody could sign in"),
        (("add", "Robin", "--role", "captain"), 2, "'captain' is not one of"),
        (("add", "Robin", "--role", "tech", "--generate", "--password-stdin"), 2, "either --generate or"),
        (("change", "Olive", "--pool", "x", "--all-pools"), 2, "either --pool or --all-pools"),
        (("close", "Olive"), 1, "no owner would be left"),
        (("close", "Nobody"), 1, "There is no account named 'Nobody'."),
    ],
    ids=lambda each: " ".join(each[:2]) if isinstance(each, tuple) else None,
)
def test_what_cannot_be_done_is_a_sentence(run, olive, words, code, said):
    done = run(*words)
    assert done.exit_code == code
    assert said in done.stderr
    assert "Traceback" not in done.output


def test_serve_refuses_another_address_without_accounts(run, tmp_path):
    done = CliRunner().invoke(main, ["serve", "--address", "0.0.0.0", "--no-browser"])
    assert done.exit_code == 1
    assert "Add the first account: turnblue account add NAME --role owner." in done.stderr
