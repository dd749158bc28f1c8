"""How often a secret may be guessed and how long a sign-in lasts. Values in one place. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from platelink.contract.words import Role

_SHIFT_S = 10 * 3600.0


@dataclass(frozen=True, slots=True)
class SignInRules:
    """The defaults are our own judgement; there is no standard for this work."""

    wrong_before_lock: int = 5
    """Enough for gloves and a worn key; NIST SP 800-63B allows 100 at most (from memory)."""
    lock_first_s: float = 30.0
    """Short: a person who mistyped is at the unit and waits for it."""
    lock_longest_s: float = 900.0
    """Each wrong secret after that doubles the lock, up to this: 96 guesses a day."""
    operator_idle_s: float = _SHIFT_S
    """Unused for so long, a sign-in ends. An operator's lasts the shift: whoever stands at the
    unit must be able to act at once."""
    lead_idle_s: float = 1800.0
    """Leads and auditors sign in at a desk, too, and walk away from it."""
    auditor_idle_s: float = 1800.0
    longest_s: float = _SHIFT_S
    """A sign-in ends after this however much it is used: a long shift, not two people's."""
    most_sign_ins: int = 8
    """Of one person at a time; one more ends the one used longest ago."""
    most_screens: int = 10
    """Known to one person; one more is learned in place of the one used longest ago."""
    note_use_s: float = 60.0
    """The use of a sign-in is written no oftener; it may end as much earlier, never later."""

    def idle_s(self, role: Role) -> float:
        """How long a sign-in of this role lasts unused."""
        return {
            Role.OPERATOR: self.operator_idle_s,
            Role.LEAD: self.lead_idle_s,
            Role.AUDITOR: self.auditor_idle_s,
        }[role]

    def lock_s(self, wrong: int) -> float:
        """How long so many wrong secrets in a row lock a name; 0 when they do not."""
        beyond = wrong - self.wrong_before_lock
        if beyond < 0:
            return 0.0
        doublings = min(beyond, 60)  # more would only overflow
        return min(self.lock_first_s * 2.0**doublings, self.lock_longest_s)
