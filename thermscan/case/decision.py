"""Repair, donor or scrap: the user's own numbers set against one another, and the conclusion."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields

from thermscan.model.case_record import CaseState, Money
from thermscan.model.errors import InputError
from thermscan.show.words import say_share


@dataclass(frozen=True)
class Way:
    """One way to go on: what it is expected to bring from here on, and how that is reckoned; None: not known."""

    name: str
    value: float | None
    reckoning: str


def money_of(data: Mapping[str, object]) -> Money:
    """Return the money of a conclusion's data; raises InputError for numbers that cannot be."""
    values: dict[str, object] = {}
    for field in fields(Money):
        value = data.get(field.name)
        if field.name == "currency":
            values["currency"] = "" if value is None else str(value)
        elif value is not None:
            if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e12:
                raise InputError(field.name, "", f"{value!r} is no amount", "give a number of 0 or more")
            values[field.name] = float(value)
    money = Money(**values)  # type: ignore[arg-type]
    if money.success is not None and money.success > 1:
        raise InputError("--success", "", f"{money.success:g} is no probability", "give a number from 0 to 1")
    return money


def money_data(money: Money) -> dict[str, object]:
    """Return money as plain values."""
    return asdict(money)


def spent(state: CaseState) -> tuple[dict[str, float], float]:
    """Return what was written down so far: amounts by currency, and hours."""
    amounts: dict[str, float] = {}
    for entry in state.of_kind("cost"):
        amounts[entry.text("currency")] = amounts.get(entry.text("currency"), 0.0) + float(entry.text("amount"))
    return amounts, sum(float(entry.text("hours")) for entry in state.of_kind("time"))


def success_of(state: CaseState, money: Money) -> tuple[float | None, str]:
    """Return the probability that a repair succeeds and where it comes from.

    Without the user's own number the leading suspect's probability stands in: swapping the right part is needed for
    success and not always enough, so it is the upper end.
    """
    if money.success is not None:
        return money.success, "your number"
    standing = state.standing
    if standing is None or not standing.candidates:
        return None, "no comparison has been made"
    first = standing.candidates[0]
    return first.probability, f"at the most: probability of {first.name}"


def ways(state: CaseState, money: Money) -> tuple[Way, ...]:
    """Reckon repair, donor and scrap from here on, in the user's own numbers.

    Returns
    -------
    tuple of Way
        Repair: success times sale plus failure times donor value, less parts and hours. What the board was bought
        for is spent whatever is done, so it changes no choice and is left out. No prices are built in.
    """
    success, source = success_of(state, money)
    work = None if money.hours is None or money.hour_rate is None else money.hours * money.hour_rate
    missing = [n for n, v in (("sale", money.sale), ("success", success)) if v is None]
    if missing:
        repair = Way("repair", None, f"not known: no {' and no '.join(missing)}")
    else:
        rest = money.donor_value or 0.0
        gain = success * money.sale + (1 - success) * rest  # type: ignore[operator]
        chance = f"{success:g}" if money.success is not None else say_share(success)  # type: ignore[arg-type]
        value = gain - (money.parts or 0.0) - (work or 0.0)
        words = (
            f"{chance} ({source}) x sale {money.sale:g} + the rest x donor {rest:g}"
            f" - parts {money.parts or 0.0:g} - work {work or 0.0:g}"
        )
        left_out = [n for n, v in (("parts", money.parts), ("work", work), ("donor", money.donor_value)) if v is None]
        repair = Way("repair", value, words + (f" (not given, taken as 0: {', '.join(left_out)})" if left_out else ""))
    return (
        repair,
        _plain_way("donor", money.donor_value, "your value of its parts"),
        _plain_way("scrap", money.scrap_value, "your value, disposal taken off"),
    )


def _plain_way(name: str, value: float | None, words: str) -> Way:
    return Way(name, value, words if value is not None else "not known: no value was given")


def check_conclusion(state: CaseState) -> None:
    """Refuse a conclusion while safety questions are open; raises InputError."""
    questions = state.open_questions
    if questions:
        names = ", ".join(q.name for q in questions)
        problem = f"{len(questions)} safety question{'' if len(questions) == 1 else 's'} open: {names}"
        raise InputError(
            "case conclude", "", problem, f'answer first: thermscan case add answer FOLDER {questions[0].name} "..."'
        )
