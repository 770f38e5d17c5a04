"""How to prove the leading suspect on the bench before anything is bought or replaced."""

from __future__ import annotations

DISCHARGE = "with power off, unplugged and capacitors discharged"

# What tells for or against each fault at one place; common practice, no source. {part} and {net} are filled in.
PROOFS = {
    "short": "{off}, lift one end of {part} or take it off, and measure {net} to ground: near a good board's value"
    " it was {part}; still low, look further along {net}",
    "leak": "{off}, lift one end of {part} or take it off, and measure {net} to ground: near a good board's value"
    " it was {part}; unchanged, look further along {net}",
    "overload": "compare the resistance of {net} to ground with a good board's, {off}, before and after {part} is"
    " lifted or taken off",
    "dead_supply": "measure volts at the input, the enable pin and the output of {part} with power on: right volts in"
    " and none out is {part} or what it feeds",
    "open_or_missing": "look at {part} and its solder under magnification, and measure across it, {off}",
    "joint": "look at the joints of {part} under magnification, measure across them, {off}, solder them again, and"
    " film once more",
    "heat_path": "look at how {part} meets its heat sink (clip, screw, paste, solder under its pad), put it right,"
    " and film once more",
    "bridge": "look between the pins of {part} and its neighbours under magnification, and measure between them, {off}",
    "hidden_source": "look at the other side and beneath {part}; film the other side too",
    "supply_limit": "measure volts at {part} under load with power on, and set the bench supply's limit just above"
    " what a good board draws; never above the board's own rating",
}

# A place where no part is listed has nothing that can be lifted, and no net that is known.
AT_A_PLACE = (
    "look under magnification, {off}, at what sits at {part}: cracks, bridges of solder, a part that is not listed;"
    " measure across it and to ground"
)


def proof_step(fault: str, part: str, net: str | None, *, is_bare: bool = False) -> str | None:
    """Return the sentence that says how to prove a suspect, None for a fault that has no such step.

    Parameters
    ----------
    fault : str
        Fault word.
    part : str
        What the suspect is called: its refdes or where the bare place lies.
    net : str or None
    is_bare : bool
        Whether it is a place where no part is listed.
    """
    if fault not in PROOFS:
        return None
    text = (AT_A_PLACE if is_bare else PROOFS[fault]).format(part=part, net=net or "its net", off=DISCHARGE)
    return f"prove it before replacing anything: {text}"
