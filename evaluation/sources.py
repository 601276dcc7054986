"""Which recorded sound is the evaluation made of, and how does it come here?

Debian packages are fetched with ``apt-get download`` and unpacked into ``.cache/evaluation`` without being installed.
Nothing of them is kept in the repository (their licences differ from this one's). Where a package cannot be
fetched the evaluation says so and stops: a table from less than its sources would be no table.

The sets are apart: thresholds may be tuned on `TUNED` voices and music; `HELD_APART` holds other voices, other
languages and other music, and is run only after the thresholds were frozen.
"""

import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

CACHE = Path(__file__).parent.parent / ".cache" / "evaluation"
RATE = 48_000

Kind = Literal["speech", "music", "ambience"]


class SourceError(Exception):
    """A source cannot be had; the message says which."""


@dataclass(frozen=True)
class Source:
    """Files of one package: those that match `pattern`, every `stride`-th from `first` on."""

    package: str
    pattern: str
    kind: Kind
    first: int = 0
    stride: int = 1
    voice: bool = False
    """Whether damage is planted in this speech; every source is listened to as it is."""

    @property
    def name(self) -> str:
        """Short name for a table."""
        half = "" if self.stride == 1 else f" ({self.first + 1} of {self.stride})"
        return f"{self.package}{half}: {self.pattern.rsplit('/', 1)[-1]}"


TUNED = (
    Source("asterisk-core-sounds-en-g722", "**/*.g722", "speech", voice=True),
    Source("asterisk-core-sounds-fr-g722", "**/*.g722", "speech", voice=True),
    Source("tuxpaint-stamps-default", "**/*_desc_ro.ogg", "speech", voice=True),
    Source("tuxpaint-stamps-default", "**/*_desc_bg.ogg", "speech", voice=True),
    Source("asterisk-core-sounds-es-g722", "**/*.g722", "speech"),
    Source("asterisk-core-sounds-it-g722", "**/*.g722", "speech"),
    Source("asterisk-core-sounds-ru-g722", "**/*.g722", "speech"),
    Source("tuxpaint-stamps-default", "**/*_desc_es.ogg", "speech"),
    Source("sonic-pi-samples", "**/*.flac", "music"),
    Source("asterisk-moh-opsound-g722", "**/*.g722", "music"),
    Source("gnome-shell-pomodoro-data", "**/birds.ogg", "ambience"),
)
"""Those without `voice` were held apart until their first table had been read; what it showed was put right on them."""

HELD_APART = (
    Source("fillets-ng-data-nl", "**/*.ogg", "speech", voice=True),
    Source("tuxpaint-stamps-default", "**/*_desc_ca.ogg", "speech", voice=True),
    Source("tuxpaint-stamps-default", "**/*_desc_ru.ogg", "speech", voice=True),
    Source("tuxpaint-stamps-default", "**/*_desc_el.ogg", "speech", voice=True),
    Source("singularity-music", "**/*.ogg", "music"),
    Source("fillets-ng-data", "**/music/*.ogg", "music"),
    Source("hydrogen-drumkits", "**/*.flac", "music"),
)


def files(source: Source) -> list[Path]:
    """Return the files of a source in order of name, fetching the package if it is not here yet.

    Raises
    ------
    SourceError
        If the package cannot be fetched or holds no such file.
    """
    return list(_found(source))


@lru_cache
def _found(source: Source) -> tuple[Path, ...]:
    folder = CACHE / source.package
    if not (folder / ".whole").exists():
        _fetch(source.package, folder)
    found = sorted(p for p in folder.glob(source.pattern) if p.is_file())[source.first :: source.stride]
    if not found:
        raise SourceError(f"{source.package} holds no {source.pattern}")
    return tuple(found)


def recordings(source: Source) -> Iterator[tuple[str, NDArray[np.float64], int]]:
    """Yield (file name, (n,) samples, rate) of a source's files, first channel, one at a time, as they are stored."""
    for path in files(source):
        yield path.name, *decoded(path)


def at_48k(samples: NDArray[np.float64], rate: int) -> NDArray[np.float64]:
    """Return the samples at 48 kHz."""
    return samples if rate == RATE else np.asarray(soxr.resample(samples, rate, RATE))


def _fetch(package: str, folder: Path) -> None:
    CACHE.mkdir(parents=True, exist_ok=True)
    got = subprocess.run(
        ["apt-get", "download", package], cwd=CACHE, capture_output=True, text=True, check=False
    )
    archives = sorted(CACHE.glob(f"{package}_*.deb"))
    if got.returncode or not archives:
        raise SourceError(f"the Debian package {package} cannot be fetched here: {got.stderr.strip()}")
    folder.mkdir(exist_ok=True)
    subprocess.run(["dpkg", "-x", str(archives[-1]), str(folder)], check=True)
    archives[-1].unlink()
    (folder / ".whole").touch()


def decoded(path: Path) -> tuple[NDArray[np.float64], int]:
    """Return (samples, rate) of a file's first channel."""
    if path.suffix == ".g722":  # libsndfile does not read raw G.722
        raw = subprocess.run(
            ["ffmpeg", "-v", "error", "-f", "g722", "-i", str(path), "-f", "f32le", "-"],
            capture_output=True,
            check=True,
        ).stdout
        return np.frombuffer(raw, "<f4").astype(np.float64), 16_000
    read, rate = soundfile.read(path, dtype="float64", always_2d=True)
    return read[:, 0], rate
