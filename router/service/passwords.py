"""Which passwords are taken: long ones that are not among the first an attacker would try.

Source: NIST SP 800-63B-4 (2025), section 3.1.1.2: at least 15 characters where a password is all that is asked for, at
least 64 allowed, none that is commonly used, expected (the service's or the person's own name) or compromised, and no
rules about kinds of characters. What is expected is estimated as in D. L. Wheeler, "zxcvbn: low-budget password
strength estimation", USENIX Security 2016: guesses an attacker needs who knows common passwords, words, names, keyboard
rows, repetitions and sequences.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Sequence

from zxcvbn import zxcvbn

from router.kernel.faults import Fault

LEAST_CHARACTERS, MOST_CHARACTERS = 15, 200
_LEAST_GUESSES = 10**8
"""Below, Wheeler calls a password somewhat guessable at best; above, safely unguessable."""
_READ = 72
"""So many characters are estimated; more only add guesses."""
_LEAST_NAME, _LEAST_BESIDE_NAMES = 3, 8
"""Names of so many characters count; letters and digits asked for beside them. Common practice, no source."""
_LOCK = threading.Lock()  # the estimator keeps the names it is given in a module's variable
_OUR_NAMES = ("platewright", "router", "administrator", "printer", "machine")


def password_faults(new: str, old: str, names: Sequence[str]) -> list[Fault]:
    """What is wrong with a new password, without repeating it. ``names``: what the person is called."""
    faults = []
    if not LEAST_CHARACTERS <= len(new) <= MOST_CHARACTERS:
        want = f"{LEAST_CHARACTERS} to {MOST_CHARACTERS} characters"
        faults.append(Fault("", "password", "new", f"{len(new)} characters", want))
    if new == old:
        faults.append(Fault("", "password", "new", "the password as it was", "another one"))
    elif len(new) >= LEAST_CHARACTERS and (_mostly_names(new, names) or _guesses(new, names) < _LEAST_GUESSES):
        want = "something less expected: no name, common password, repetition or row of keys; four or five words do"
        faults.append(Fault("", "password", "new", "a password that is soon guessed", want))
    return faults


def _known(names: Sequence[str]) -> list[str]:
    """Names whole and in their parts, the longest first."""
    parts = {part for name in (*names, *_OUR_NAMES) for part in (name, *re.split(r"\W+", name))}
    return sorted((part.casefold() for part in parts if part), key=len, reverse=True)


def _mostly_names(new: str, names: Sequence[str]) -> bool:
    left = new.casefold()
    for name in _known(names):
        if len(name) >= _LEAST_NAME:
            left = left.replace(name, "")
    return sum(map(str.isalnum, left)) < _LEAST_BESIDE_NAMES


def _guesses(new: str, names: Sequence[str]) -> float:
    with _LOCK:
        return float(zxcvbn(new[:_READ], user_inputs=_known(names))["guesses"])
