"""The malformed corpus: each file is read or refused in words, and none harms another."""

from __future__ import annotations

import sys
from collections import Counter

import polars as pl
import pytest

from tests.fuzz.corpus import malformed
from tests.fuzz.parsers import try_logs
from tests.fuzz.sound import sound_logs

# what `try_logs` checks of every batch: one verdict per file, refusals with code, sentence and
# hint, as many rows as said, no endless number
SHARE_IN_SHORT = 6


@pytest.fixture(scope="module")
def corpus(tmp_path_factory):
    folder = tmp_path_factory.mktemp("corpus")
    for file in malformed():
        (folder / file.name).write_bytes(file.content)
    return folder


@pytest.fixture(autouse=True)
def no_silent_failure(monkeypatch):
    """An error in the sweeping of memory goes to the terminal unseen; here it fails the test."""
    seen = []
    monkeypatch.setattr(sys, "unraisablehook", seen.append)
    yield
    assert [str(one.exc_value) for one in seen] == []


def outcomes(batch):
    whole = batch.refusals.filter(pl.col("column_name").is_null())
    return Counter(whole["code"].to_list()) + Counter(
        read=batch.readings.filter(pl.col("outcome_code") == "read").height
    )


def told(counts, what):
    lines = "".join(f"  {count:5} {code}\n" for code, count in counts.most_common())
    sys.stdout.write(f"\n{sum(counts.values())} files {what}:\n{lines}")


def test_the_corpus_is_large():
    assert len(malformed()) >= 200
    assert len({file.content for file in malformed()}) >= 200


@pytest.mark.slow
def test_the_corpus_is_the_same_each_time():
    assert malformed.__wrapped__() == malformed()


def test_no_file_of_the_corpus_stops_a_batch_or_harms_a_sound_one(corpus, tmp_path):
    sound = []
    for log in sound_logs():
        sound.append(tmp_path / f"sound-{log.kind}{log.ending}")
        sound[-1].write_bytes(log.content)
    bad = sorted(corpus.iterdir())
    mixed = [*bad[::2], *sound, *bad[1::2]]
    batch = try_logs(mixed)
    verdicts = dict(batch.readings.select("path", "outcome_code").rows())
    assert {verdicts[log.name] for log in sound} == {"read"}
    alone = try_logs(sound).samples
    mine = batch.samples.filter(pl.col("test_id").is_in(alone["test_id"].unique().to_list()))
    by = ["test_id", "time_s"]
    assert mine.select(alone.columns).sort(by).equals(alone.sort(by))
    counts = outcomes(batch)
    told(counts, "in one batch, sound ones among them")
    # a corpus that is all refused in the same words, or all read, would show little
    assert len(counts) >= 15
    assert 0.05 < counts["read"] / len(mixed) < 0.6


def test_some_files_alone(corpus):
    each_alone(sorted(corpus.iterdir())[::SHARE_IN_SHORT])


@pytest.mark.slow
def test_every_file_alone(corpus):
    each_alone(sorted(corpus.iterdir()))


def each_alone(files):
    counts = Counter()
    for file in files:
        counts += outcomes(try_logs([file]))
    assert sum(counts.values()) == len(files)
    told(counts, "one by one")


@pytest.mark.slow
def test_a_damaged_file_gives_the_same_alone_and_in_a_batch(corpus):
    files = sorted(corpus.iterdir())
    together = try_logs(files)
    verdicts = dict(together.readings.select("path", "outcome_code").rows())
    rows = dict(together.readings.select("path", "n_rows").rows())
    for file in files:
        alone = try_logs([file])
        assert alone.readings["outcome_code"][0] == verdicts[file.name], file.name
        assert alone.readings["n_rows"][0] == rows[file.name], file.name
