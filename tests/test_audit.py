"""The audit of dependencies: what it finds fails the build, what it could not look up is said and does not."""

import importlib.util
import sys
from importlib.machinery import SourceFileLoader
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / ".ci" / "audit"


@pytest.fixture(scope="module")
def audit():
    spec = importlib.util.spec_from_loader("ci_audit", SourceFileLoader("ci_audit", str(SCRIPT)))
    module = importlib.util.module_from_spec(spec)
    sys.dont_write_bytecode, before = True, sys.dont_write_bytecode
    spec.loader.exec_module(module)
    sys.dont_write_bytecode = before
    return module


SAID = {
    "dependencies": [
        {"name": "sound", "version": "1.0", "vulns": []},
        {
            "name": "holed",
            "version": "2.0",
            "vulns": [{"id": "PYSEC-1", "aliases": ["CVE-1"], "fix_versions": ["2.1"]}],
        },
        {"name": "unknown", "skip_reason": "not found"},
    ]
}


def test_a_known_vulnerability_counts(audit):
    assert audit.judge(SAID, {}) == (["holed 2.0: PYSEC-1, mended in 2.1"], ["unknown"], 2)


@pytest.mark.parametrize("name", ["PYSEC-1", "CVE-1"])
def test_an_accepted_one_does_not(audit, name):
    assert audit.judge(SAID, {name: "we never call it"})[0] == []


@pytest.mark.parametrize("tool", ["/nothing/of/the/kind", "false"])
def test_a_look_up_that_did_not_happen_is_said(audit, capsys, tool):
    assert audit.look_up([tool], ["click==8.2.0"], 20.0) is None
    assert "NOT AUDITED: the look-up did not happen" in capsys.readouterr().out


def test_build_audits():
    assert ".ci/audit" in (SCRIPT.parent / "run").read_text()
