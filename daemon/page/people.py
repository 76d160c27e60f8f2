"""Who asks for a page: nobody, or one of the rack's people by the device that was paired with them."""

import hmac
import time
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from daemon.errors import SignInError
from daemon.settings.page import Role
from daemon.settings.rack import Settings
from daemon.web.server import Request
from daemon.web.sign_in import DEVICE_LASTS_MS, Devices

log = structlog.get_logger()

_LEVELS = list(Role)


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks (empty: nobody knows), as what, and what each form of theirs must carry."""

    name: str = ""
    role: Role = Role.LOOK
    form_key: str = field(default="", repr=False)

    def refused(self, role: Role, request: Request) -> str:
        """Say why what is asked is not done for them; empty where it is (CSRF: by what the form carries)."""
        if not self.name:
            return "Sign in to act. Nothing was done."
        if not self.may(role):
            return f"{self.name} may only {self.role} here: see `roles` under [page]. Nothing was done."
        if not hmac.compare_digest(request.form.get("key", "").encode(), self.form_key.encode()):
            return "That form is of another sign-in. Nothing was done: look, and say it again."
        return ""

    def may(self, role: Role) -> bool:
        """Return whether they may do what needs a role."""
        return bool(self.name) and _LEVELS.index(self.role) >= _LEVELS.index(role)


def devices_of(settings: Settings) -> Devices:
    """Return the devices that are paired with people of a rack, in a file beside its journal."""
    path = settings.journal.path
    return Devices(Path(f"{path}.devices"))


class People:
    """The people who sign in at the page of a rack."""

    def __init__(self, settings: Settings) -> None:
        self._settings, self._devices = settings, devices_of(settings)
        page = settings.page
        self._secure = page.behind_tls or page.tls() is not None
        # A browser keeps a cookie of that name for this very host only (RFC 6265bis, 4.1.3.2).
        self._cookie = "__Host-bellwatch" if self._secure else "bellwatch"

    def visitor(self, request: Request) -> Visitor:
        """Return who asks; nobody where people are not to act, or are of this rack no more."""
        secret = request.cookies.get(self._cookie, "")
        if not self._settings.page.acts or not secret:
            return Visitor()
        try:
            device = self._devices.device_of(secret, _now_ms())
        except SignInError as error:  # what is wrong in the rack is shown all the same
            log.warning("nobody_known", why=str(error))
            return Visitor()
        if device is None or device.person not in self._settings.rack.people:
            return Visitor()
        role = self._settings.page.roles.get(device.person, Role.ACT)
        return Visitor(device.person, role, device.form_key)

    def sign_in(self, code: str, address: str) -> tuple[str, str]:
        """Return the cookie that a device with this code is to keep, or else what is wrong."""
        try:
            return self._kept(self._devices.pair(code, _now_ms(), address), DEVICE_LASTS_MS // 1000), ""
        except SignInError as error:
            return "", str(error)

    def sign_out(self, request: Request) -> str:
        """Let a device be nobody's again; return the cookie that it keeps no longer."""
        self._devices.forget(request.cookies.get(self._cookie, ""))
        return self._kept("", 0)

    def _kept(self, secret: str, for_s: int) -> str:
        secure = "; Secure" if self._secure else ""
        return f"{self._cookie}={secret}; Path=/; Max-Age={for_s}; HttpOnly; SameSite=Strict{secure}"


def _now_ms() -> int:
    return int(time.time() * 1000)
