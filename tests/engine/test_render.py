"""A series of files through gain and limiter into new files, and back."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from takewell.engine.render import RenderedFile, render_series, undo_series
from takewell.errors import FileError, SettingError
from takewell.shape import GainEnvelope, GainSpan
from takewell.wave import Bext

RATE = 48_000


def write(path: Path, samples: np.ndarray, rate: int = RATE) -> Path:
    soundfile.write(path, samples.astype(np.float32), rate, subtype="FLOAT")
    return path


def file(source: Path, folder: Path, start: int = 0) -> RenderedFile:
    folder.mkdir(exist_ok=True)
    return RenderedFile(source, folder / source.name, Bext(), start_samples=start)


def test_gains_go_on_through_a_gap_between_files(tmp_path: Path) -> None:
    ones = np.full((1000, 1), 0.1)
    names = [write(tmp_path / f"{n}.wav", ones) for n in (1, 2)]
    envelope = GainEnvelope.from_spans([GainSpan(0, 1500, 0.0), GainSpan(1500, 4000, -20.0)], 4000)
    files = [file(names[0], tmp_path / "out"), file(names[1], tmp_path / "out", start=1200)]
    done = render_series(files, [envelope], encoding="float32", ceiling_dbtp=-1.0)
    second = soundfile.read(files[1].target)[0]
    assert done.lengths_samples == (1000, 1000)
    assert second[:300] == pytest.approx(0.1)
    assert second[300:] == pytest.approx(0.01)


def test_progress_counts_every_sample_once(tmp_path: Path) -> None:
    source = write(tmp_path / "a.wav", np.zeros((50_000, 2)))
    counts: list[int] = []
    render_series(
        [file(source, tmp_path / "out")],
        [None, None],
        encoding="int24",
        ceiling_dbtp=-1.0,
        progress=counts.append,
    )
    assert sum(counts) == 50_000


def test_undoing_a_series_gives_it_back(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).uniform(-0.5, 0.5, (20_000, 2))
    source = write(tmp_path / "a.wav", samples)
    envelopes = [GainEnvelope.constant(-33.3, 20_000), None]
    there, back = file(source, tmp_path / "there"), tmp_path / "back"
    render_series([there], envelopes, encoding="float32", ceiling_dbtp=-1.0)
    undo_series([file(there.target, back)], envelopes)
    again = soundfile.read(back / "a.wav", dtype="float32")[0]
    original = soundfile.read(source, dtype="float32")[0]
    assert np.abs(again.view(np.int32) - original.view(np.int32)).max() <= 1
    assert np.array_equal(again[:, 1], original[:, 1])


@pytest.mark.parametrize(
    ("shapes", "rates", "envelopes", "what"),
    [
        ([(100, 1), (100, 2)], [RATE, RATE], 1, "2 channels at 48000 Hz where .* has 1 at 48000"),
        ([(100, 1), (100, 1)], [RATE, 44_100], 1, "at 44100 Hz where"),
        ([(100, 2)], [RATE], 1, "has 2 channels, gains were given for 1"),
        ([], [], 1, "a series of no files"),
    ],
)
def test_what_does_not_belong_together_is_refused_and_nothing_is_written(
    tmp_path: Path, shapes: list[tuple[int, int]], rates: list[int], envelopes: int, what: str
) -> None:
    sources = [
        write(tmp_path / f"{n}.wav", np.zeros(shape), rate)
        for n, (shape, rate) in enumerate(zip(shapes, rates, strict=True))
    ]
    files = [file(source, tmp_path / "out") for source in sources]
    with pytest.raises(SettingError, match=what):
        render_series(files, [None] * envelopes, encoding="float32", ceiling_dbtp=-1.0)
    assert not list(tmp_path.glob("out/*"))


def test_a_file_that_is_no_sound_is_named(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_text("not a sound")
    with pytest.raises(FileError, match=r"a\.wav"):
        render_series(
            [file(tmp_path / "a.wav", tmp_path / "out")], [None], encoding="int24", ceiling_dbtp=-1.0
        )
