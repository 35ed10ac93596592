"""Damage of any kind to any sound input: every parser reads it or refuses it in words.

The long form runs 100,000 examples over all parsers; the search that follows coverage is
`python -m tests.fuzz`.
"""

from __future__ import annotations

import re
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.parsers import parsers

EXAMPLES = 100_000
IN_SHORT = 30
PARSERS = parsers()
MOST_GROWTH_MIB = 1000
CLEAR = Path("/proc/self/clear_refs")

# what stands in files of these kinds and changes what the rest of the file means
MARKS = [
    b"", b"\0", b"\n", b"\r", b",", b";", b'"', b"[", b"]", b"{", b"}", b":", b"'", b"\\", b"=",
    b"\xff", b"\xef\xbb\xbf", b"\xff\xfe", b"-", b"e", b"E99999", b"inf", b"nan", b"null", b"true",
    b"0x1", b"1_0", b"99999999999999999999", b"-0", b"1e400", b"2026-02-30", b"24:00:00", b"kPa",
    b"psi", b"[psig]", b"(", b"((((", b"&#0;", b"<", b"</row>", b"\x7f\xff\xff\xff", b"##HL",
    b"PAR1", b"*", b"?", b"%Y", b"%", b"\xd8\x00", "\N{ARABIC-INDIC DIGIT THREE}".encode(),
]  # fmt: skip


@st.composite
def damaged(draw, seeds):
    """A sound input with up to four cuts, insertions, replacements and repetitions."""
    content = draw(st.sampled_from(seeds))
    for _ in range(draw(st.integers(0, 4))):
        # most of what decides how a file is read stands at its start and its end
        place = draw(
            st.integers(0, len(content))
            | st.integers(0, min(80, len(content)))
            | st.integers(max(0, len(content) - 80), len(content))
        )
        length = draw(st.integers(0, 40) | st.just(len(content)))
        piece = draw(st.sampled_from(MARKS) | st.binary(max_size=12))
        repeated = piece * draw(st.sampled_from([1, 1, 1, 3, 300]))
        content = content[:place] + repeated + content[place + length :]
    return content


def check(name, examples):
    outcomes = {}

    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=examples == IN_SHORT,
        suppress_health_check=list(HealthCheck),
    )
    @given(content=damaged(PARSERS[name].seeds))
    def holds(content):
        outcome = PARSERS[name].try_bytes(content)
        outcomes[outcome] = outcomes.get(outcome, 0) + 1

    with measured_growth() as growth:
        holds()
    growth_mib = growth["mib"]
    said = ", ".join(f"{count} {code}" for code, count in sorted(outcomes.items()))
    sys.stdout.write(f"\n{name}: peak memory grew by {growth_mib:.0f} MiB; {said}\n")
    # damaging a few kilobytes must not ask for gigabytes
    assert growth_mib < MOST_GROWTH_MIB
    assert sum(outcomes.values()) >= examples


@contextmanager
def measured_growth():
    """How far the peak of this process's memory rose, where Linux tells it."""
    growth = {"mib": 0.0}
    if CLEAR.exists():
        CLEAR.write_text("5")  # proc(5): sets the peak back to what is held now
    before_mib = peak_mib()
    yield growth
    growth["mib"] = peak_mib() - before_mib


def peak_mib():
    if not CLEAR.exists():
        return 0.0
    found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    return int(found[1]) / 1024


@pytest.mark.parametrize("name", PARSERS)
def test_a_damaged_input_is_read_or_refused(name):
    check(name, IN_SHORT)


@pytest.mark.slow
@pytest.mark.parametrize("name", PARSERS)
def test_any_damaged_input_is_read_or_refused(name):
    check(name, EXAMPLES // len(PARSERS))
