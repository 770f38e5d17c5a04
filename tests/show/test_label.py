import itertools

from hypothesis import given, settings
from hypothesis import strategies as st

from thermscan.show.label import Label, box_of, overlap, place_labels

FRAME = (0.0, 0.0, 400.0, 300.0)
places = st.tuples(
    st.floats(0, 400), st.floats(0, 300), st.floats(1, 30), st.floats(1, 20), st.floats(5, 60), st.booleans()
)


@settings(max_examples=60, deadline=None)
@given(st.lists(places, max_size=25))
def test_placed_labels_never_overlap_and_stay_in_the_frame(drawn):
    labels = [Label(x, y, (rx, ry), (w, 10.0), must) for x, y, rx, ry, w, must in drawn]
    boxes = [box_of(s, each.size) for s, each in zip(place_labels(labels, FRAME), labels, strict=True) if s]
    for a, b in itertools.combinations(boxes, 2):
        assert overlap(a, b) == 0.0
    for x0, y0, x1, y1 in boxes:
        assert x0 >= 0
        assert y0 >= 0
        assert x1 <= 400
        assert y1 <= 300


def test_label_stands_on_what_it_names_where_it_fits():
    (spot,) = place_labels([Label(100, 100, (30, 20), (20, 10))], FRAME)
    assert (spot.x, spot.y, spot.leader) == (100, 100, False)


def test_crowded_label_that_must_stand_moves_away_and_is_tied():
    crowd = [Label(200, 150, (5, 5), (40, 12), must=True) for _ in range(12)]
    spots = place_labels(crowd, FRAME)
    assert all(spots)
    assert any(spot.leader for spot in spots)


def test_label_that_need_not_stand_gives_way():
    crowd = [Label(200, 150, (5, 5), (40, 12)) for _ in range(12)]
    spots = place_labels(crowd, FRAME)
    assert 1 < sum(spot is not None for spot in spots) < 12


def test_taken_boxes_are_left_free():
    taken = (90.0, 90.0, 110.0, 110.0)
    label = Label(100, 100, (30, 20), (20, 10))
    (spot,) = place_labels([label], FRAME, taken=[taken])
    assert overlap(box_of(spot, label.size), taken) == 0.0
