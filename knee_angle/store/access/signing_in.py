"""Everything that decides who is let in, on one store; and signing in by name and password."""

from __future__ import annotations

from dataclasses import dataclass, replace

from knee_angle.store import Store
from knee_angle.store.access.accounts import Account, Accounts
from knee_angle.store.access.pairing import Pairing
from knee_angle.store.access.sessions import Session, Sessions, Way
from knee_angle.store.access.slowing import Slowing

__all__ = ["Access", "SignedIn", "Wait"]

NOBODY = "not signed in"
"""Who stands in the audit trail where no account is known. What was typed as a name is not
kept: it can be a password."""


@dataclass(frozen=True, slots=True)
class SignedIn:
    """A new session with its secret, which goes into the browser's cookie."""

    secret: str
    session: Session


@dataclass(frozen=True, slots=True)
class Wait:
    """An attempt that was not tried: too many came before it."""

    seconds: float


@dataclass(frozen=True)
class Access:
    """Accounts, sessions, pairings and slowed attempts of one store.

    Parameters
    ----------
    store : Store
        Its database holds them, its audit trail says what became of them.
    who : str
        Whose doing it is.
    """

    store: Store
    who: str = NOBODY

    def by(self, who: str) -> Access:
        """The same, as somebody's doing in the audit trail."""
        return replace(self, who=who)

    @property
    def accounts(self) -> Accounts:
        """Who may sign in."""
        return Accounts(self.store.engine, self.who, self.store.clock)

    @property
    def sessions(self) -> Sessions:
        """Who is signed in."""
        return Sessions(self.store.engine, self.who, self.store.clock)

    @property
    def pairing(self) -> Pairing:
        """Codes for phones."""
        return Pairing(self.store.engine, self.who, self.store.clock)

    @property
    def slowing(self) -> Slowing:
        """Counted attempts."""
        return Slowing(self.store.engine, self.who, self.store.clock)

    def by_password(
        self, name: str, password: str, *, address: str, device: str
    ) -> SignedIn | Wait | None:
        """Sign in by name and password; None: they do not fit, and no more is told."""
        wait = self.slowing.attempt(account=name, address=address)
        if wait:
            return Wait(wait)
        account = self.accounts.by_password(name, password)
        if account is None:
            self.store.as_user(self.who).note("refused", f"sign-in from {address}"[:64])
            return None
        self.slowing.succeeded(account=name, address=address)
        return self.begun(account, way="password", device=device)

    def by_code(self, code: str, *, address: str, device: str) -> SignedIn | Wait | None:
        """Sign a phone in by the code that it scanned."""
        # By address alone: codes cannot be guessed, and no stranger may make others wait.
        account = f"a pairing code at {address}"
        wait = self.slowing.attempt(account=account, address=address)
        if wait:
            return Wait(wait)
        found = self.pairing.redeem(code, device=device)
        if found is None:
            self.store.as_user(self.who).note("refused", f"pairing from {address}"[:64])
            return None
        self.slowing.succeeded(account=account, address=address)
        return SignedIn(*found)

    def begun(self, account: Account, *, way: Way, device: str) -> SignedIn:
        """A new session of an account that has shown who it is."""
        return SignedIn(*self.by(account.name).sessions.begin(account, way=way, device=device))
