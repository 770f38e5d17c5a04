"""Defaults of placing a board in a picture."""

from __future__ import annotations

from dataclasses import dataclass

from thermscan.model.knob import knob


@dataclass(frozen=True)
class PlacementSettings:
    """Placing the board in the reference picture, and faulty against good."""

    focal_widths: float = knob(
        1.3, (0.3, 10.0), "usual focal length in widths of the picture: lenses of 25 to 55 degrees (common practice)"
    )
    focal_sigma: float = knob(0.35, (0.01, 2.0), "spread of the natural logarithm of the focal length about that")
    aspect_sigma: float = knob(0.004, (1e-5, 0.2), "spread of the logarithm of the pixel aspect: pixels are square")
    click_sigma_px: float = knob(2.0, (0.1, 10.0), "standard error of a clicked mark a coordinate: one pixel or three")
    odd_click_sigmas: float = knob(
        4.0, (2.0, 20.0), "a mark this many sigmas from where five or more others put it is left out"
    )
    optics_blur_px: float = knob(0.6, (0.1, 5.0), "usual blur of the optics, standard deviation, px")
    stabilising_blur_px: float = knob(
        0.6, (0.0, 5.0), "further blur of pictures that are means of moved frames, px; made boards"
    )
    tile_px: float = knob(36.0, (8.0, 128.0), "side of the tiles that have their own brightness and noise, px")
    block_px: float = knob(9.0, (2.0, 64.0), "side of the blocks taken as independent when errors are estimated, px")
    huber: float = knob(2.0, (0.5, 10.0), "residuals beyond this many robust sigmas count linearly (Huber 1964)")
    vuong_z: float = knob(3.0, (1.0, 10.0), "z value (Vuong 1989) by which the best start must beat any other")
    rim_px: float = knob(2.0, (0.0, 50.0), "width of bench around the board that takes part in the pattern match, px")
    pattern_blur_px: float = knob(0.7, (0.0, 5.0), "blur before two pictures are matched, against interpolation, px")
    floor_share: float = knob(0.01, (1e-5, 1.0), "noise floor of a picture as a share of its own spread")
    blocks_across: float = knob(
        10.0, (4.0, 100.0), "blocks of bare board and outline along the board that are displaced each by itself"
    )
    pattern_tile_px: float = knob(
        17.0, (8.0, 128.0), "side of the tiles in which one recording's pictures explain another's, px; made boards"
    )
    pattern_doubt: float = knob(
        1.2, (1.0, 20.0), "error of a pattern fit over what the scatter of parts tells: heat drags edges; made boards"
    )
    still_doubt: float = knob(
        2.0,
        (1.0, 20.0),
        "error of it where nothing warmed and nothing moved: the sensor's pattern alone may fit; made boards",
    )
    skew_px: float = knob(
        0.2,
        (0.0, 5.0),
        "shear and stretch of a view, at a corner, that the view it is matched to may pass on, px; made boards",
    )
    alike_share: float = knob(
        0.9, (0.0, 0.95), "correlation of the errors of neighbouring parts in one picture; made boards"
    )
    alike_channels: float = knob(0.4, (0.0, 1.0), "share of that between contrast and heat change; made boards")
    alike_reach: float = knob(
        0.12, (0.01, 1.0), "distance over which it falls by e, in sizes of the board; made boards"
    )
    unsettled_px: float = knob(0.2, (0.01, 5.0), "last step of a pattern fit above which it found no rest, px")
    edge_slope: float = knob(
        0.05, (0.0, 1.0), "slope of the layout's coverage from which a pixel counts as near an edge, 1/px"
    )
    outline_rim_px: float = knob(1.5, (0.3, 10.0), "width of the rim, as a blur, whose edge is the outline's own, px")
    part_rim_px: float = knob(1.5, (0.0, 10.0), "rim around a part whose edge is the part's own, px")
    least_block_px: float = knob(
        4.0, (2.0, 64.0), "side of such a block at the least: a displacement must show in it, px"
    )
    pattern_judged: int = knob(4, (2, 20), "places that are told apart on finer pictures where coarse ones do not")
    smallest_zoom: float = knob(0.6, (0.2, 0.95), "smallest scale of one picture against another that is searched")
    agree_sigmas: float = knob(3.0, (1.0, 20.0), "outline and pattern may differ by this many of their joint errors")
    agree_px: float = knob(
        0.5, (0.0, 10.0), "and by this much for what neither error knows (board against its file), px"
    )
    loose_px: float = knob(1.0, (0.05, 10.0), "error of following the frames from which no placing is trusted, px")
    loose_columns: float = knob(400.0, (16.0, 10000.0), "columns of a picture from which that grows with them")
    near_px: float = knob(0.8, (0.0, 10.0), "placements better than this start the pattern match on full pictures, px")
    search_px: float = knob(56.0, (24.0, 256.0), "longer side of the picture in which the outline is searched, px")
    smallest_share: float = knob(0.45, (0.1, 1.0), "smallest board searched: its longer side in shorter picture sides")
    largest_share: float = knob(
        1.25, (0.5, 4.0), "largest board searched, in picture sides: it may be cut by the frame"
    )
    scale_step: float = knob(0.06, (0.01, 0.3), "step of the natural logarithm of the scale in the search")
    turn_step_deg: float = knob(5.0, (1.0, 15.0), "step of the angle in the search, degrees")
    seen_share: float = knob(0.55, (0.2, 1.0), "share of the outline, and of the board, that must lie in the frame")
    search_starts: int = knob(18, (4, 500), "starts whose layout is tried")
    search_more: int = knob(45, (0, 500), "further starts that are tried where no place stands out among those")
    tried_tilt_deg: float = knob(
        7.0, (1.0, 30.0), "tilt each way from which a fit is tried again that ends elsewhere, degrees; made boards"
    )
    valley_doubt: float = knob(
        2.0, (1.0, 20.0), "factor on the stated error of a fit that had to be tried from further starts; made boards"
    )
    layout_weight: float = knob(
        2.0, (0.0, 20.0), "weight of the edges of bodies and holes beside the outline's in the search; made boards"
    )
    search_passed: int = knob(16, (2, 200), "starts that go on from the coarse picture to a finer one; made boards")
    search_direct: int = knob(
        4, (0, 100), "of the starts, the first that go on to the finer picture in any case; made boards"
    )
    search_kept: int = knob(6, (2, 100), "starts that are told apart on finer pictures")
    warm_reach: float = knob(
        0.03, (0.0, 0.5), "what warms may lie off the outline by this share of the longer picture side; made boards"
    )
    whole_share: float = knob(
        0.9, (0.5, 1.0), "share of the board in the frame from which its turned and mirrored copies compare with it"
    )
    control_z: float = knob(
        3.0,
        (0.0, 10.0),
        "z over those copies from which a place goes before likelier ones that explain no more than"
        " theirs do; made boards",
    )
    settled_z: float = knob(
        4.0, (0.0, 20.0), "z over its copies from which places that do not beat theirs are no rivals; made boards"
    )
    control_parts: int = knob(12, (1, 1000), "bodies on the side shown from which copies are looked at; judgement")
    rival_z: float = knob(2.0, (0.0, 10.0), "z over its copies from which another place is then a rival; judgement")
    search_leading: int = knob(3, (0, 100), "more starts that go on where some are chosen by that")
    warm_kept: float = knob(
        0.9, (0.0, 1.0), "share of the places that warm which a start must cover, of the best start's; judgement"
    )
    warm_least: float = knob(
        0.7, (0.0, 1.0), "share of them that lies on the board where a placing is trusted; judgement"
    )
    search_rounds: int = knob(4, (1, 20), "most steps of a start on each picture")
    search_tile_px: float = knob(
        18.0, (8.0, 128.0), "side of the tiles of the picture in which the outline is searched, px of it; made boards"
    )
    search_knee: float = knob(
        3.0, (0.3, 1000.0), "contrast over a picture's own spread beyond which the search compresses it; made boards"
    )
    judged_px: float = knob(128.0, (32.0, 640.0), "longer side of the picture on which starts are told apart, px")
    weak_marks_px: float = knob(15.0, (1.0, 200.0), "error above which marks alone cannot start a fit, px")
    weak_marks_share: float = knob(0.05, (0.0, 0.5), "reach of the marks below which they are one spot, in board sizes")
    square_aspect: float = knob(1.25, (1.0, 3.0), "boards less oblong than this are also tried at quarter turns")
    same_place_px: float = knob(2.0, (0.2, 20.0), "starts that end closer than this over the board are one, px")
    same_spot: float = knob(
        0.1, (0.0, 1.0), "share of the board's sides by which placements that cover one spot may reach beyond it"
    )
    layout_tolerance_mm: float = knob(
        0.1, (0.0, 2.0), "tolerance of part positions and outline against the board file (common practice)"
    )
    layout_doubt: float = knob(
        3.0, (1.0, 20.0), "error of a layout fit over what the spread between blocks tells; made boards"
    )
    bare_doubt: float = knob(
        1.8, (1.0, 20.0), "factor on that error where no part is listed: tall bodies lean over edges; made boards"
    )
    layout_floor_px: float = knob(
        0.2, (0.0, 5.0), "error of each corner that no noise explains: walls, solder, dragged edges, px; made boards"
    )
    marks_alone: int = knob(
        4, (2, 100), "marks that agree with one another from which they are believed against the layout; judgement"
    )
    distrust_error_px: float = knob(2.5, (0.2, 50.0), "standard error above which a placement is not trusted, px")
    unmarked_error_px: float = knob(
        1.0, (0.1, 50.0), "the same without marks: fits of made boards that were right stated 0.9 px at the most"
    )

    def most_loose_px(self, columns: int) -> float:
        """Return the error of following up to which a placing is trusted, px: large pictures give parts more."""
        return self.loose_px * max(1.0, columns / self.loose_columns)
