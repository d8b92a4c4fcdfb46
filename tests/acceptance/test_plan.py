"""A plan with mistakes is refused with all of them at once, each with its line and what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.pipeline.bench.acceptance.plan import read_plan
from herdbook.pipeline.bench.acceptance.plan_fit import fit_to
from herdbook.pipeline.bench.acceptance.plan_keys import COVERAGE
from herdbook.pipeline.bench.acceptance.steps import all_kinds
from herdbook.pipeline.bench.acceptance.units import factor
from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.vehicle.problems import nearest
from herdbook.pipeline.vehicle.profile import load_profile
from herdbook.pipeline.vehicle.roles import ROLES
from tests.acceptance.plans import HEAD, check, step, written

DEMO = Path(__file__).parents[2] / "dbc_demo"


def refused(folder: Path, *tables: str, head: str = HEAD) -> str:
    with pytest.raises(ProfileError) as caught:
        read_plan(written(folder, *tables, head=head))
    return str(caught.value)


def test_a_whole_plan(tmp_path: Path) -> None:
    plan = read_plan(
        written(tmp_path, step("charge", least_s="900"), check("charge_ah", "mAh", low="28000", risk_pct="1"))
    )
    [only] = plan.steps
    [one] = only.checks
    assert (plan.name, plan.version, plan.set_on, plan.risk) == ("test plan", "1", "2026-02-20", 0.05)
    assert (only.name, only.kind.id, only.least_coverage) == ("charge", "charge", COVERAGE)
    assert only.sought == "charging of at least 900 s"
    assert (one.limits.low, one.limits.high, one.unit, one.scale, one.risk) == (28000.0, None, "mAh", 1e-3, 0.01)
    assert one.set_by == "nobody in particular"


def test_all_mistakes_at_once_with_their_lines(tmp_path: Path) -> None:
    said = refused(
        tmp_path,
        step("charging"),
        check("charge_ah", "Wh"),
        step("rest", least_min="2"),
        check("pack_rest_amps", "A"),
        step("ride"),
        check(metric="", unit="A", role='"pack_curent"'),
    )
    assert "5 mistakes" in said
    for told in (
        "line 10: [[step]] kind = 'charging' is not known. Did you mean charge?",
        "line 13: unit = 'Wh' does not fit charge_ah, which is in Ah. Write Ah or mAh.",
        "[[step]] least_min is not known. Did you mean least_s?",
        "metric = 'pack_rest_amps' is not known. Did you mean pack_rest_a",
        "role = 'pack_curent' is not known. Did you mean pack_current",
    ):
        assert told in said, told


@pytest.mark.parametrize(
    ("tables", "told"),
    [
        ((), "the plan has no step"),
        ((step(),), "step 'ride' checks nothing"),
        (
            (step(), check(unit="furlong")),
            "unit = 'furlong' does not fit distance_km, which is in km. Known: m, km, mm.",
        ),
        ((step(), check(low="")), "a check has no limit"),
        ((step(), check(low="5", high="2")), "low = 5 lies above high = 2"),
        ((step(), check(low='"much"')), "low = 'much' cannot be"),
        ((step(), check(low="nan")), "cannot be"),
        ((step(), check(why="")), "[[step.check]] lacks why"),
        ((step(), check(error="0.1")), "error = 0.1 says not where it is from"),
        ((step(), check(risk_pct="80")), "risk_pct = 80 cannot be"),
        ((step(), check(role='"pack_current"')), "a check names metric and role"),
        ((step(), check(metric="")), "a check names nothing that is measured"),
        (
            (step("rest"), check("brake_response_s", "s")),
            "brake_response_s is not measured in a rest. It is in steps of kind",
        ),
        ((step("spin_up"), check("distance_km", "km")), "[[step]] lacks speed_rpm"),
        ((step(), check(), step(), check()), "two steps are called 'ride'"),
        ((step(), check(metric="", unit="1", role='"bms_fault"')), "bms_fault is no quantity"),
        ((step(), check(metric="", unit="degC", role='"cell_temp"', take='"rise"')), "which is in K"),
        ((step(), check(metric="", unit="A", role='"pack_current"', take='"men"')), "Did you mean mean?"),
        ((step(), check(metric="", unit="MOhm", reading='"insulation"')), "stands in a step of kind ride"),
        ((step("reading"), check()), "a step of kind reading measures nothing in a log"),
        ((step(), check(), "[extra]"), "[extra] is not known"),
        ((step() + "\ncheck = 3",), "its checks are no list"),
    ],
)
def test_a_mistake_is_told(tmp_path: Path, tables: tuple[str, ...], told: str) -> None:
    assert told in refused(tmp_path, *tables)


def test_a_unit_with_a_slip_is_offered_the_one_with_the_same_capitals_first() -> None:
    """MOhm for mOmh would be a limit a thousand million times as high."""
    assert nearest("mOmh", ["Ohm", "MOhm", "mOhm"]).startswith("Did you mean mOhm")
    assert nearest("MOmh", ["Ohm", "MOhm", "mOhm"]).startswith("Did you mean MOhm")


def test_nothing_is_set_by_nobody(tmp_path: Path) -> None:
    said = refused(tmp_path, step(), check(), head="[plan]\nname = 'x'")
    for key in ("version", "profile", "set_by", "set_on", "why"):
        assert f"[plan] lacks {key}" in said


@pytest.mark.parametrize("text", ["", "[plan", "plan = 3", "step = 4", "[[step]]\nkind = 7", "[[step]]\ncheck = [3]"])
def test_no_text_makes_a_traceback(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x.plan.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(ProfileError):
        read_plan(path)


def test_checks_may_be_written_in_one_line(tmp_path: Path) -> None:
    row = 'check = [{ metric = "distance_km", low = 1, unit = "km", why = "x" }]'
    [only] = read_plan(written(tmp_path, step() + "\n" + row)).steps
    assert only.checks[0].name == "distance_km"


def test_each_check_of_many_steps_has_its_own_line() -> None:
    plan = DEMO / "zirbel.plan.toml"
    lines = [check.line for one in read_plan(plan).steps for check in one.checks]
    text = plan.read_text("utf-8").splitlines()
    assert len(lines) == len(set(lines)) > 5
    assert {text[line - 1].strip() for line in lines} == {"[[step.check]]"}


def test_a_plan_of_another_type_is_refused(tmp_path: Path) -> None:
    plan = read_plan(written(tmp_path, step(), check()))
    with pytest.raises(ProfileError, match="the plan is for 'zirbel', the unit is a 'saumer'"):
        fit_to(plan, load_profile(DEMO / "saumer.toml"))
    fit_to(plan, load_profile(DEMO / "zirbel.toml"))


def test_what_the_profile_cannot_show_is_told_before_a_line_runs_by_it(tmp_path: Path) -> None:
    few = tmp_path / "few.toml"
    few.write_text(
        f'name = "zirbel"\n[[bus]]\ndbc = "{DEMO / "zirbel.dbc"}"\n[roles]\npack_current = "BMS_Pack.PackCurrent"\n'
        'motor_current = { left = "MOT_Left.LeftTorqueCurrent" }\n',
        "utf-8",
    )
    tables = (
        step("full_braking"),
        check("brake_response_s", "s"),
        step("rest"),
        check("spread_rest_mv", "mV"),
        check(metric="", unit="A", role='"motor_current"', item='"right"'),
    )
    with pytest.raises(ProfileError) as caught:
        fit_to(read_plan(written(tmp_path, *tables)), load_profile(few))
    said = str(caught.value)
    assert "step 'full_braking' is recognised by brake_demand, which profile zirbel does not map" in said
    assert "spread_rest_mv needs [pack] rated_ah" in said
    assert "motor_current has no item 'right' in profile zirbel. There: left." in said


@pytest.mark.parametrize("kind", all_kinds().values(), ids=lambda k: k.id)
def test_every_kind_of_step_is_whole(kind: object) -> None:
    from herdbook.pipeline.bench.acceptance.step_kind import StepKind

    assert isinstance(kind, StepKind)
    assert all(role in ROLES for any_of in kind.roles for role in any_of)
    assert all(line.meaning for line in kind.keys.lines())
    assert (kind.find.__module__.rpartition(".")[2]) == kind.id


def test_units() -> None:
    assert factor("mOhm", "Ohm") == pytest.approx(1e-3)
    assert factor("km/h", "m/s") == pytest.approx(1 / 3.6)
    assert factor("Wh/km", "Wh/km") == 1.0
    for given, wanted in (("%", "1"), ("degC", "K"), ("A", "V"), ("hogshead", "Ah")):
        with pytest.raises(ValueError, match=r"Write|Known"):
            factor(given, wanted)
