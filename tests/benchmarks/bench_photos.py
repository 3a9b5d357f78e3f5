"""How long the photo check takes, as ratios to Pillow decoding every picture in full.

Run: python tests/benchmarks/bench_photos.py [number of pictures]
Prints processor time of each part over the floor measured in the same run, interleaved, medians
of five rounds; then whole checks with their wall time, first finding and peak memory.
"""

import os
import resource
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2
import numpy as np
from PIL import Image

from app.photos.check import views
from app.photos.check.answer import Progress
from app.photos.check.run import check_folder
from app.photos.pictures import decoder, measures
from app.photos.pictures.reading import Features, Found, Readers
from tests.photos.check.render import picture
from tests.photos.check.sets import ring

TWELVE, TWENTY_FOUR = (4000, 3000), (6000, 4000)


def write_large(folder: Path, count: int, size: tuple[int, int]) -> list[Path]:
    """A ring enlarged to the size of camera files, with grain, so that they weigh as much."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    around = ring(360 / count)
    rng = np.random.default_rng(1)
    grain = rng.normal(0, 5, (size[1], size[0], 1)).astype(np.float32)
    for k in range(count):
        shown = cv2.resize(picture(around[k]), size, interpolation=cv2.INTER_CUBIC)
        # Rolled, so that no two pictures share their grain.
        shown = np.clip(shown + np.roll(grain, 37 * k, axis=1), 0, 255).astype(np.uint8)
        path = folder / f"large{k:03d}.jpg"
        cv2.imwrite(str(path), shown[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 93])
        paths.append(path)
    return paths


def decode_in_full(path: Path) -> None:
    with Image.open(path) as opened:
        opened.load()


def timed(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


def parts(paths: Iterable[Path]) -> None:
    """Each part over the floor, processor time, one thread."""
    cv2.setNumThreads(1)
    decoder.register_formats()
    rounds: dict[str, list[float]] = {}
    for _ in range(5):
        for path in paths:
            with decoder.open_picture(path) as opened:
                grey, _ = decoder.pixels(opened)
            jobs: dict[str, Callable[[], object]] = {
                "floor: decode in full": lambda path=path: decode_in_full(path),
                "draft decode alone": lambda path=path: draft(path),
                "the same to grey 1024 px": lambda path=path: decoded(path),
                "measures, with decode": lambda path=path: measures.measure(decoded(path)),
                "ORB at 800": lambda grey=grey: decoder.features(grey, "orb"),
                "SIFT at 800": lambda grey=grey: decoder.features(grey, "sift"),
                "all a child does": lambda path=path: decoder.answer(path, "measure"),
            }
            for name, job in jobs.items():
                rounds.setdefault(name, []).append(timed(job))
    floor = statistics.median(rounds["floor: decode in full"])
    for name, times in rounds.items():
        print(
            f"{name:26} {1000 * statistics.median(times):7.1f} ms  {statistics.median(times) / floor:5.2f}"
        )


def decoded(path: Path) -> np.ndarray:
    with decoder.open_picture(path) as opened:
        return decoder.pixels(opened)[0]


def draft(path: Path) -> None:
    with Image.open(path) as opened:
        opened.draft("RGB", (measures.LONG_SIDE, measures.LONG_SIDE * 3 // 4))
        opened.load()


def two_children(paths: list[Path]) -> None:
    """Wall time of reading everything with one child and with two."""
    files = [Found(p.name, p) for p in paths]
    taken = []
    for count in (1, 2):
        with Readers(count) as readers:
            list(readers.each(readers.read, files[:2]))
            begun = time.perf_counter()
            list(readers.each(readers.read, files))
            taken.append(time.perf_counter() - begun)
    print(f"reading with two children is {taken[0] / taken[1]:.2f} times as fast as with one")


def matching(paths: list[Path]) -> None:
    """The pruned view graph over the floor, processor time."""
    with Readers() as readers:
        read = [readers.read(Found(p.name, p)) for p in paths]
    found: list[Features] = [r.features for r in read]
    pairs = views.worth_matching(views.likeness([r.thumbnail for r in read]))

    def work() -> None:
        for a, b in pairs:
            views.link((a, b), (found[a], found[b]), (1.2, 1.2))

    floor = timed(lambda: [decode_in_full(p) for p in paths])
    taken = timed(work)
    print(
        f"{'pruned view graph':26} {1000 * taken:7.0f} ms  {taken / floor:5.2f}  ({len(pairs)} pairs)"
    )


def whole(folder: Path, paths: list[Path]) -> None:
    """One whole check: processor and wall time over the floor, first finding, peak memory."""
    floor = timed(lambda: [decode_in_full(p) for p in paths])
    first: list[float] = []
    begun = time.perf_counter()

    def report(progress: Progress) -> None:
        if progress.finding and not first:
            first.append(time.perf_counter() - begun)

    peak = Peak()
    used = processor()
    with peak:
        result = check_folder(folder, progress=report)
    wall, used = time.perf_counter() - begun, processor() - used
    print(
        f"whole check of {len(paths)}: processor {used / floor:.2f}, wall {wall / floor:.2f} of the"
        f" floor's {floor:.1f} s; first finding after {first[0]:.1f} s; peak {peak.most / 2**20:.0f}"
        f" MiB with its children; {result.verdict.value}"
        f" ({', '.join(r.code for r in result.reasons)})",
        flush=True,
    )


def processor() -> float:
    return sum(
        u.ru_utime + u.ru_stime
        for u in (
            resource.getrusage(resource.RUSAGE_SELF),
            resource.getrusage(resource.RUSAGE_CHILDREN),
        )
    )


class Peak:
    """The most memory this process and its children held together, read every 50 ms."""

    def __enter__(self) -> None:
        self.most = 0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._over.wait(0.05):
            self.most = max(self.most, sum(map(held, [os.getpid(), *children_of(os.getpid())])))


def held(pid: int) -> int:
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except OSError:
        return 0
    return pages * resource.getpagesize()


def children_of(pid: int) -> list[int]:
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        try:
            found += map(int, (task / "children").read_text().split())
        except OSError:
            continue
    return found


def main(count: int, size: tuple[int, int]) -> None:
    with tempfile.TemporaryDirectory() as kept:
        paths = write_large(Path(kept), count, size)
        print(
            f"{count} pictures of {size[0] * size[1] / 1e6:.0f} MP, {paths[0].stat().st_size / 1e6:.1f} MB each"
        )
        parts(paths[:6])
        matching(paths)
        two_children(paths[:40])
        whole(Path(kept), paths)


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 60,
        TWENTY_FOUR if "24" in sys.argv[2:] else TWELVE,
    )
