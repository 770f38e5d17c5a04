"""Repair against donor against scrap in the user's own numbers, and the conclusion that is refused."""

import pytest

from thermscan.case.decision import check_conclusion, money_of, spent, ways
from thermscan.case.folder import open_case
from thermscan.case.safety import safety_questions
from thermscan.case.state import state_of
from thermscan.model.case_record import CaseHead, CaseSwap, Money
from thermscan.model.errors import InputError


def state(case, board):
    return state_of(open_case(case.path), board)


def test_expected_values_by_hand(bench, board):
    case = bench.compare(bench.open())
    money = Money(bought_for=20, parts=5, hours=1.5, hour_rate=40, sale=200, donor_value=30, scrap_value=2, success=0.6)
    repair, donor, scrap = ways(state(case, board), money)
    # 0.6 x 200 + 0.4 x 30 - 5 - 60 = 67; the 20 are spent already
    assert (repair.value, donor.value, scrap.value) == pytest.approx((67.0, 30.0, 2.0))
    assert "your number" in repair.reckoning


def test_without_a_number_the_first_suspect_is_the_upper_end(bench, board):
    repair, donor, _ = ways(state(bench.compare(bench.open()), board), Money(sale=100))
    assert repair.value == pytest.approx(83.0)
    assert "at the most: probability of C14" in repair.reckoning
    assert "not given, taken as 0: parts, work, donor" in repair.reckoning
    assert donor.value is None


def test_nothing_is_reckoned_without_numbers(bench, board):
    repair, *_ = ways(state(bench.open(), board), Money())
    assert (repair.value, repair.reckoning) == (None, "not known: no sale and no success")


def test_impossible_amounts_are_refused():
    for data, line in (({"sale": -1}, "is no amount"), ({"success": 1.5}, "1.5 is no probability"),
                       ({"parts": float("nan")}, "is no amount")):  # fmt: skip
        with pytest.raises(InputError, match=line):
            money_of(data)


def test_costs_add_up_by_currency(bench, board):
    case = bench.open()
    for amount, currency in ((2.0, "EUR"), (3.5, "EUR"), (1.0, "CHF")):
        case = bench.add(case, "cost", amount=amount, what="part", currency=currency)
    case = bench.add(case, "time", hours=0.75, what="look")
    assert spent(state(case, board)) == ({"EUR": 5.5, "CHF": 1.0}, 0.75)


def test_conclusion_waits_for_safety_questions(bench, board):
    case = bench.open(lithium=True, mains=True)
    with pytest.raises(InputError, match="3 safety questions open: damage, mains, lithium"):
        check_conclusion(state(case, board))
    for name in ("damage", "mains", "lithium"):
        case = bench.add(case, "answer", question=name, text="looked, none")
    check_conclusion(state(case, board))


def test_a_swapped_fuse_and_hot_parts_raise_questions(board):
    asked = safety_questions(CaseHead("d", "b", "t"), board, [CaseSwap("F1", "swapped", "gone")], [("U3", 81.0)], [])
    assert [q.name for q in asked] == ["damage", "fuse", "hot"]
    assert "U3 (81 °C)" in asked[2].text
