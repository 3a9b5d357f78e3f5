"""Where the lines of the photo check are drawn."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Thresholds:
    """Where the lines are drawn. Change `version` with any value: each check is kept with it.

    Measured on 11 photo sets of 9 to 38 pictures, spoiled in known ways, with a general
    structure-from-motion library as outside truth. No living fur was among them.
    """

    version: str = "2025-2"
    # One picture, at 1024 px. Balanced accuracy in sample 0.94 (edge blur) and 0.98 (re-blur);
    # they go wrong on different pictures, so a picture is called blurred when both say so.
    edge_blur: float = 1.2
    reblur: float = 0.43
    relative_blur: float = 1.7
    hopeless_blur: float = 5.0
    motion: float = 2.2
    dark_mean: float = 45.0
    dark_bright_end: float = 120.0
    noise: float = 7.0
    dim_mean: float = 90.0
    clipped: float = 0.15
    uneven_stops: float = 1.0
    # Copies correlated 0.9999 and more and differed in no bit; others 0.987 at most, 4 bits.
    copy_correlation: float = 0.995
    copy_bits: int = 2
    small_side: int = 800
    poor_jpeg: float = 75.0
    other_zoom: float = 0.1
    light_changed_stops: float = 0.6
    colour_changed: float = 0.3
    # The set. A share below 0.6 to 0.7 was lost (0.89 to 0.91); two animals gave 0.52 to 0.61.
    quick_agreeing: int = 15
    better_agreeing: int = 20
    holds_well: float = 0.9
    holds_too_little: float = 0.65
    # Below 10 sets are best called lost, below 8 they are; between, good matches speak against.
    quick_too_little: float = 0.4
    least_pictures: int = 10
    never_held: int = 8
    few_pictures: int = 15
    weak_strength: float = 25.0
    # Rendered rings seen every 30° or 40° gave 32 to 40 by the better features, every 10° to 20°
    # 50 and more, on bark and fur too.
    firm_strength: float = 50.0
    thin_share: float = 0.5
    still_share: float = 0.5
    # Closed rings read 23° to 33°, a missing half 121° and more.
    gap: float = 60.0
    one_side: float = 90.0
    # 20° between views is the border, 30° thin, 40° lost.
    wide_step: float = 26.0
    doubted_turns: float = 0.3
    flawed_share: float = 0.5
    full_ring: int = 36
