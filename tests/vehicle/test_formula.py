"""Formulas of a profile: the numbers Python itself gives, and nothing that is not listed."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from herdbook.pipeline.vehicle.formula import formula
from herdbook.pipeline.vehicle.role_table import mappings

A, B, W = ("M", "A"), ("M", "B"), ("N", "W")


@pytest.mark.parametrize(
    "text",
    [
        "max(-M.A, 0)",
        "M.A + M.B",
        "M.A * 0.01 - M.B / 3",
        "min(M.A, M.B, 5)",
        "abs(M.A) > 2 and not M.B == 0",
        "1 < M.A <= M.B",
        "M.A < 0 or M.B < 0",
        "-(M.A - +M.B) * 2",
    ],
)
def test_values_are_those_of_python(text: str) -> None:
    rng = np.random.default_rng(4)
    a, b = rng.integers(-20, 20, 200).astype(np.float64), np.round(rng.normal(0, 10, 200), 2)
    found = formula(text).values({A: a, B: b})
    plain = compile(text.replace("M.A", "a").replace("M.B", "b"), "", "eval")
    expected = [float(eval(plain, {"a": x, "b": y})) for x, y in zip(a.tolist(), b.tolist(), strict=True)]
    assert found.tolist() == expected


def test_bits_are_exact_to_the_sixty_fourth() -> None:
    words = np.array([0, 2**63 + 5, 2**64 - 1, 6], np.uint64)
    assert formula("bit(N.W, 63)").values({W: words}).tolist() == [0, 1, 1, 0]
    assert formula("bits(N.W, 1, 2)").values({W: words}).tolist() == [0, 2, 3, 3]
    signed = np.array([-1, -2, 5], np.int64)
    assert formula("bit(N.W, 0)").values({W: signed}).tolist() == [1, 0, 1]
    assert formula("if_else(bit(N.W, 0), 10, 20)").values({W: signed}).tolist() == [10, 20, 10]


@pytest.mark.parametrize(
    "text",
    [
        "__import__('os').system('true')",
        "M.A.__class__",
        "M.A ** 9",
        "open('x')",
        "[M.A for x in y]",
        "lambda: M.A",
        "M.A if M.B else 0",
        "M.A; M.B",
        "max(M.A)",
        "max(M.A, key=M.B)",
        "abs(*M.A)",
        "bit(M.A, M.B)",
        "bit(M.A, 64)",
        "bits(M.A, 60, 8)",
        "M.A << 3",
        "_0_ + M.A",
        "M.A + x",
        "M.A + 1e999",
        "M.A + 'x'",
        "M.A @ M.B",
        "(" * 300 + "M.A" + ")" * 300,
        "-" * 200 + "M.A",
        "M.A" + " + M.A" * 400,
        "3 + 4",
        "",
        "M.A +",
        "M.A\n.B",
        "globals().M",
        "M.A == (x := 3)",
        "f'{M.A}'",
    ],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        formula(text)


UNITS = {("P", "I"): "A", ("P", "U"): "V", ("P", "Pw"): "kW", ("P", "F"): "", ("C", "V1"): "V", ("C", "V2"): "V"}


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"pack_current": {"value": "P.I + P.X"}}, "role pack_current: message P has no signal X"),
        ({"pack_current": {"value": "P.I * P.U"}}, "the formula mixes units ('A', 'V'): say in which it comes out"),
        ({"pack_current": {"value": "P.I", "signal": "P.I"}}, "signal and value exclude each other"),
        ({"pack_current": {"value": "3"}}, "names no signal"),
        ({"pack_current": {"scale": 2}}, "needs a signal"),
        ({"pack_current": "P.Pw"}, "a power needs its voltage"),
        ({"pack_current": {"signal": "P.Pw", "voltage": 48}, "pack_voltage": "P.U"}, "voltage = 48 names no signal"),
        ({"pack_voltage": {"signal": "P.U", "voltage": "P.U"}}, "voltage goes with the signal of a power"),
        ({"pack_current": {"value": "P.I", "voltage": "P.U"}}, "voltage goes with the signal of a power"),
        ({"pack_current": {"signal": "P.I", "n": "1..3"}}, "is one value here: n is for roles that count items"),
        ({"pack_current": {"signal": "P.I", "index": "F", "index_values": "3"}}, "index is for roles that count items"),
        ({"motor_temp": {"left": {"signal": "P.F", "index": "F", "index_values": "3"}}}, "index is for roles that"),
        ({"pack_current": {"value": "abs(P.I, 2)"}}, "abs takes one value"),
        ({"pack_current": {"signal": "P.I", "scale": 0}}, "scale = 0 would make every value of it the same"),
        ({"pack_current": {"signal": "P.I", "scale": math.inf}}, "scale = inf is not a number"),
        ({"pack_current": {"signal": "P.I", "offset": math.nan}}, "offset = nan is not a number"),
        ({"pack_current": {"signal": "P.I", "not_available": ["sna"]}}, "not_available = 'sna' is not a number"),
        ({"cell_bleed": {"signal": "P.F", "n": "1..2", "first_bit": math.inf}}, "first_bit = inf is not a number"),
        ({"cell_bleed": {"signal": "P.F", "n": "1..2", "bits": 1.5}}, "bits = 1.5 is not a whole number"),
        ({"pack_current": {"signal": "P.I", "voltage": "P.U"}}, "P.I is no power in W or kW"),
        ({"pack_current": {"signal": "P.Pw", "voltage": "P.I"}}, "P.I is no voltage"),
        ({"motor_current": {"signal": "P.Pw", "voltage": "P.U"}}, "is a torque current"),
        ({"pack_current": ["P.I"]}, "is one value"),
        ({"pack_current": {"flags": ["P.F"]}}, "flags are for fault words"),
        ({"pack_current": {"signal": "P.{I,U}"}}, "names 2 signals, but here one is wanted"),
        ({"pack_current": {"signal": "P.I", "source": 3}}, "source is for J1939 messages"),
        ({"pack_current": {"signal": "P.I", "names": {"0": "x"}}}, "names are for fault words only"),
        ({"cell_voltage": ["C.V1", "C.V{n}"]}, "counts from 1 and needs n"),
        ({"cell_voltage": {"signal": "C.V{1..2}", "n": "1..3"}}, "numbers 3 items, but 2 signals are named"),
        ({"cell_voltage": [{"signal": "C.V{1..2}"}, {"signal": "C.V1", "n": "2"}]}, "item 2 stands twice"),
        ({"cell_voltage": {"signal": "C.V1", "index": "N"}}, "index and index_values go together"),
        ({"cell_voltage": {"signal": "C.V1", "index": "N", "index_values": "0..1"}}, "message C has no signal N"),
        ({"cell_voltage": {"signal": "C.V{2..1}"}}, "or a range such as {1..4}"),
        ({"cell_voltage": {"signal": "C.V{A..d}"}}, "or a range such as {1..4}"),
        ({"cell_voltage": {"signal": "C.V{0..2000}"}}, "is more than 999 names"),
        ({"regen_state": {"signal": "P.F", "states": {"On": "active"}}}, "'On' is neither a number nor a word"),
        ({"trigger": {"value": 'P.F == "On"'}}, "P.F has no word 'On'"),
    ],
)
def test_what_cannot_be_is_refused_by_name(table: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        list(mappings(table, UNITS))


def test_the_only_motor_may_be_one_of_those_that_a_number_in_the_message_names() -> None:
    (found,) = mappings({"motor_current": {"signal": "P.I", "index": "F", "index_values": "3"}}, UNITS)
    assert (found.item, found.when) == ("only", ("F", 3))
