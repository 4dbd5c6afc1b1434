"""The teacher's rule file: what it changes, and what is said where it is faulty. TOML 1.0 is the outside source."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from planning_passages import passage

from companion import charts
from companion.errors import RuleFileError
from companion.planning import RULES, plan
from companion.record.rule_file import MAX_WEIGHT_MS, load_rules, rules_from

PATH = Path("rules.toml")
HEAD = "format = 1\n"
ALTO = charts.load("alto")


def followed(text: str) -> dict[str, float]:
    return {rule.name: rule.weight_s for rule in rules_from(text.encode(), PATH)}


def refused(text: str) -> str:
    with pytest.raises(RuleFileError) as caught:
        rules_from(text.encode(), PATH)
    line = str(caught.value)
    assert "\n" not in line
    return line


def test_a_weight_is_changed_and_a_rule_switched_off(tmp_path: Path) -> None:
    file = tmp_path / "rules.toml"
    file.write_text(
        HEAD
        + '[[rule]]\nname = "chromatic F♯"\nweight_ms = 300\n\n[[rule]]\nname = "bis"\noff = true\nwhy = "worn pad"\n',
        encoding="utf-8",
    )
    rules = load_rules(file)
    before, after = {r.name: r for r in RULES}, {r.name: r for r in rules}
    assert after["chromatic F♯"].weight_s == pytest.approx(0.3)
    assert set(before) - set(after) == {"bis"}
    others = set(after) - {"chromatic F♯"}
    assert all(after[name] is before[name] or after[name] == before[name] for name in others)
    assert [r.name for r in rules] == [r.name for r in RULES if r.name != "bis"]
    assert load_rules(file) == rules


def test_a_file_that_changes_nothing_gives_the_rules_themselves() -> None:
    assert rules_from(HEAD.encode(), PATH) is RULES
    same = f'[[rule]]\nname = "bis"\nweight_ms = {1000 * RULES[0].weight_s}\n[[rule]]\nname = "tone"\noff = false\n'
    assert rules_from((HEAD + same).encode(), PATH) is RULES
    assert rules_from(b"\xef\xbb\xbfformat = 1\r\n", PATH) is RULES


@pytest.mark.parametrize("name", ["chromatic F#", "CHROMATIC f♯", "  chromatic   F♯ "])
def test_names_may_be_typed_on_any_keyboard(name: str) -> None:
    assert followed(f'{HEAD}[[rule]]\nname = "{name}"\nweight_ms = 50\n')["chromatic F♯"] == pytest.approx(0.05)


def test_a_weight_of_nothing_switches_a_rule_off() -> None:
    assert "tone" not in followed(f'{HEAD}[[rule]]\nname = "tone"\nweight_ms = 0\n')


def test_the_plan_follows_the_file() -> None:
    """With "bis" and "tone" off ease alone decides for C–B♭–A: side, as was measured (arXiv:2507.04963)."""
    names = ("bis", "tone", "lower neighbour of C")
    off = HEAD + "".join(f'[[rule]]\nname = "{name}"\noff = true\n' for name in names)
    rules, line = rules_from(off.encode(), PATH), passage("C5 _Bb4 _A4")
    usual, theirs = plan(line, ALTO), plan(line, ALTO, rules=rules)
    assert (usual.choices[1].name, theirs.choices[1].name) == ("bis", "side")
    assert usual.version != theirs.version


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "format should be 1"),
        ("format = 2\n", "line 1: format 2 is not known here, only 1"),
        ("format = true\n", "line 1: format True is not known here"),
        (HEAD + '[[rule]]\nname = "bies"\noff = true\n', "line 3: rule 1, name 'bies' is no rule; did you mean bis?"),
        (HEAD + '[[rule]]\nname = "chromatic"\noff = true\n', "did you mean chromatic F♯?"),
        (HEAD + '[[rule]]\nname = "xyzzy"\noff = true\n', "companion fingerings --rules lists them"),
        (HEAD + "[[rule]]\noff = true\n", "line 2: rule 1, name is missing"),
        (HEAD + "[[rule]]\nname = 3\noff = true\n", "line 3: rule 1, name should be a text in quotes, not 3"),
        (HEAD + '[[rule]]\nname = "bis"\n', "line 2: rule 1, weight_ms is missing, as is off"),
        (HEAD + '[[rule]]\nname = "bis"\nweight_ms = -5\n', "line 4: rule 1, weight_ms should be a number from 0 to"),
        (HEAD + '[[rule]]\nname = "bis"\nweight_ms = nan\n', "line 4: rule 1, weight_ms should be a number"),
        (HEAD + '[[rule]]\nname = "bis"\nweight_ms = inf\n', "line 4: rule 1, weight_ms should be a number"),
        (HEAD + '[[rule]]\nname = "bis"\nweight_ms = "300"\n', "not '300'"),
        (HEAD + f'[[rule]]\nname = "bis"\nweight_ms = {MAX_WEIGHT_MS + 1}\n', "from 0 to 6000"),
        (HEAD + '[[rule]]\nname = "bis"\noff = "yes"\n', "line 4: rule 1, off should be true or false, not 'yes'"),
        (HEAD + '[[rule]]\nname = "bis"\noff = true\nweight_ms = 3\n', "line 4: rule 1, off and weight_ms contradict"),
        (HEAD + '[[rule]]\nname = "bis"\nwieght_ms = 3\noff = true\n', "is not known here; did you mean weight_ms?"),
        (HEAD + '[[rule]]\nname = "bis"\noff = true\nwhy = 3\n', "line 5: rule 1, why should be a text in quotes"),
        (HEAD + '[[rule]]\nname = "bis"\noff = true\n[[rule]]\nname = "Bis"\nweight_ms = 1\n',
         "line 6: rule 2, name 'bis' stands in rule 1 already"),
        (HEAD + "rule = 3\n", "rule should be tables, each under a line [[rule]]"),
        (HEAD + "[rule]\nname = 'bis'\n", "rule should be tables"),
        (HEAD + "[[rules]]\nname = 'bis'\n", "rules is not known here; did you mean rule?"),
        (HEAD + '[[rule]]\nname = "bis"\noff = true\n' * 201, "stands there 201 times, more than 200"),
        (HEAD + "[[rule]\n", "not valid TOML"),
        (HEAD + "a = " + "[" * 5000, "not valid TOML"),
    ],
)  # fmt: skip
def test_a_fault_is_named_at_its_line(text: str, says: str) -> None:
    assert says in refused(text)


def test_all_faults_at_once() -> None:
    line = refused('format = 2\n[[rule]]\nname = "biss"\noff = 1\n[[rule]]\nname = "tone"\nweight_ms = "x"\n')
    for part in ("rules.toml: ", "line 1: format", "line 3: rule 1, name", "line 4: rule 1, off", "line 7: rule 2"):
        assert part in line


def test_files_that_can_not_be_read(tmp_path: Path) -> None:
    with pytest.raises(RuleFileError, match="there is no such rule file"):
        load_rules(tmp_path / "none.toml")
    with pytest.raises(RuleFileError, match="can't be read"):
        load_rules(tmp_path)
    (tmp_path / "big.toml").write_bytes(b"#" * 1_000_001)
    with pytest.raises(RuleFileError, match="over 1000 kB"):
        load_rules(tmp_path / "big.toml")
    (tmp_path / "latin.toml").write_bytes(b"format = 1\n# f\xfcr\n")
    with pytest.raises(RuleFileError, match="not UTF-8 text"):
        load_rules(tmp_path / "latin.toml")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.toml")
        with pytest.raises(RuleFileError, match="pipe"):
            load_rules(tmp_path / "pipe.toml")


ODD = ('"bis"', '"x"', "[]", "{}", "2026-11-25", "[[1]]", "07:00:00", "'''\nbis\n'''", "true", "false")
VALUES = st.one_of(st.integers(-(10**30), 10**30).map(str), st.floats().map(str), st.sampled_from(ODD))
KEYS = st.sampled_from(("name", "weight_ms", "off", "why", "format", "rule", '"a\\nb"', "''"))


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.lists(st.one_of(st.tuples(KEYS, VALUES).map(" = ".join), st.just("[[rule]]")), max_size=12),
    st.binary(max_size=20),
)
def test_hostile_files_get_rules_or_one_line(lines: list[str], junk: bytes) -> None:
    for content in ((HEAD + "\n".join(lines)).encode(), junk):
        try:
            assert isinstance(rules_from(content, PATH), tuple)
        except RuleFileError as error:
            assert "\n" not in str(error)
