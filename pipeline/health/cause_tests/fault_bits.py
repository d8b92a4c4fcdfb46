"""Fault words, by what the maker calls their bits."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from herdbook.pipeline.health.cause import CauseTest, Episode, Evidence, Seen, Standing
from herdbook.pipeline.health.cause_tests.votes import FEW, Hit, inside, vote
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.vehicle.fault_codes import is_code
from herdbook.pipeline.vehicle.roles import ROLES

NEAR = {"V": 0.05, "degC": 3.0, "A": 0.1}  # V, K, and a share of the current: what a monitor may measure otherwise;
# engineering choices


def bits_set(*roles: str, named: str = "", after_s: float = 0.0) -> CauseTest:
    """A fault word has a bit set in the window. None set is no proof of anything: not every fault has a bit.

    named: only bits whose name has one of these words ("watchdog|supply"); without names nothing is told. after_s: so
    long after the window too, for a bit that tells what was."""

    def look(episode: Episode, evidence: Evidence) -> Hit | bool | None:
        seen = False
        for role in roles:
            for item in episode.signals.items(role):
                names = evidence.bits.get((role, item), {})
                mask = _mask(names, named)
                t, v = inside(episode, role, item, after_s=after_s)
                seen = seen or (t.size >= FEW and mask != 0)
                bits = np.nan_to_num(v).astype(np.int64) & mask
                at = np.flatnonzero(bits > 0)
                if at.size:
                    return Hit(int(t[at[0]]), _words(int(bits[at[0]]), names, role, item), role, str(item))
        return False if seen else None

    quiet = f"no fault bit named {' or '.join(named.split('|'))} was set" if named else "no fault bit was set"
    return CauseTest(tuple(roles), lambda e: vote(e, look, roles, quiet, rules_out=False))


def _mask(names: Mapping[int, str], named: str) -> int:
    if not named:
        return 2**32 - 1
    return sum(1 << bit for bit, words in names.items() if bit < 32 and re.search(named, words, re.IGNORECASE))


def _words(value: int, names: Mapping[int, str], role: str, item: int | str) -> str:
    set_ = [b for b in range(value.bit_length()) if value >> b & 1]
    whose = f"{role.replace('_', ' ')} {item}".strip()
    if any(is_code(word) for word in names.values()):
        return f"the {whose} reads {', '.join(names.get(b, f'bit {b}') for b in set_)}"
    said = [f"“{names[b]}” (bit {b})" if b in names else f"bit {b}" for b in set_]
    return f"the {whose} reads {value}: {', '.join(said)}"


# What a bit's name claims: words in it, the role that shows it, the profile's figure it is about, and which side.
CLAIMS = (
    (r"over.?volt|voltage high|high volt", "cell_voltage", "cell_max_v", True),
    (r"under.?volt|voltage low|low volt", "cell_voltage", "cell_min_v", False),
    (r"over.?temp|too hot|temp\w* high|high temp", "cell_temp", "discharge_max_c", True),
    (r"over.?curr", "pack_current", "max_discharge_a", True),
)


def bit_borne_out(borne_out: bool = True) -> CauseTest:
    """The pack's fault bit says something that the pack's own signals show, or (borne_out False) do not show: its
    groups' voltage, its temperature or its current against the profile's figure."""
    roles = ("bms_fault", "cell_voltage", "cell_temp", "pack_current")

    def judge(evidence: Evidence) -> Seen:
        named = evidence.bits.get(("bms_fault", ""), {})
        bit = int(re.sub(r"\D", "", evidence.item) or -1)
        said = named.get(bit, "")
        claim = next((c for c in CLAIMS if re.search(c[0], said, re.IGNORECASE)), None)
        pack = evidence.record.profile.pack_figures if evidence.record is not None else None
        limit = getattr(pack, claim[2]) if pack is not None and claim else None
        if claim is None or limit is None:
            why = f"what would show “{said}” is not known here" if said else "the bit has no name in DBC or profile"
            return Seen(Standing.NOT_RECORDED, why, role="bms_fault")
        _, role, _, high = claim
        unit = ROLES[role].unit
        slack = NEAR["A"] * limit if unit == "A" else NEAR[unit]

        def look(episode: Episode, _: Evidence) -> Hit | bool | None:
            best: tuple[float, int, str] | None = None
            for item in episode.signals.items(role):
                t, v = inside(episode, role, item)
                good = np.flatnonzero(np.isfinite(v))
                if good.size:
                    size = np.abs(v[good]) if unit == "A" else v[good]
                    k = good[int(np.argmax(size) if high else np.argmin(size))]
                    value = float(abs(v[k]) if unit == "A" else v[k])
                    if best is None or (value > best[0]) == high:
                        best = value, int(t[k]), str(item)
            if best is None:
                return None
            reached = best[0] >= limit - slack if high else best[0] <= limit + slack
            words = f"“{said}” is set and {role.replace('_', ' ')} {best[2]} reads {spell(best[0], unit)}"
            full = f"{re.sub('  +', ' ', words)}, limit {spell(limit, unit)}"
            return Hit(best[1], full, role, best[2]) if reached == borne_out else False

        quiet = f"the {role.replace('_', ' ')} {'does not show' if borne_out else 'shows'} what “{said}” says"
        return vote(evidence, look, (role,), quiet, rules_out=False, windows="any of" if borne_out else "all")

    return CauseTest(roles, judge)
