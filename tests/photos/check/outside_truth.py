"""What a general structure-from-motion library makes of the rendered sets.

Run with pycolmap installed beside the tests' own needs:
    python -m tests.photos.check.outside_truth "every third view" "every second view"
Slow (minutes a set). Seen with pycolmap 4.2 at 1000 px: every second view (20°) placed whole,
18 of 18, 1 387 points seen a picture; every third (30°) placed whole, 12 of 12, with 460: thin.
"""

import sys
import tempfile
from pathlib import Path

from tests.photos.check.sets import SETS


def main(names: list[str]) -> None:
    """One line a set: the models found, each with pictures placed, points, points a picture."""
    import pycolmap

    for name in names:
        with tempfile.TemporaryDirectory() as kept:
            pictures, store, out = (Path(kept) / n for n in ("pictures", "store.db", "out"))
            SETS[name][2](pictures)
            out.mkdir()
            extracting = pycolmap.FeatureExtractionOptions()
            extracting.num_threads, extracting.max_image_size = 1, 1000
            pycolmap.extract_features(
                store,
                pictures,
                camera_mode=pycolmap.CameraMode.SINGLE,
                extraction_options=extracting,
            )
            matching = pycolmap.FeatureMatchingOptions()
            matching.num_threads = 1
            pycolmap.match_exhaustive(store, matching_options=matching)
            mapping = pycolmap.IncrementalPipelineOptions()
            mapping.num_threads = 1
            models = pycolmap.incremental_mapping(store, pictures, out, mapping)
            found = [
                (
                    m.num_reg_images(),
                    m.num_points3D(),
                    round(m.compute_mean_observations_per_reg_image()),
                )
                for m in models.values()
            ]
            print(f"{name}: {len(list(pictures.iterdir()))} pictures, models {found}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
