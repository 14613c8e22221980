"""Settings of the web part. Unknown keys are refused; nothing here reads a file or the environment."""

from pydantic import BaseModel, ConfigDict, Field


class WebSettings(BaseModel):
    """`[web]` of the settings file."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    host: str = "127.0.0.1"
    """Where to listen. The default is reached from this machine only."""
    port: int = Field(default=8765, ge=0, le=65535)
    hostnames: tuple[str, ...] = ()
    """Names under which this service may be called, besides IP addresses and localhost: guards against DNS rebinding."""
    open_on_loopback: bool = True
    """A request from this machine itself, not passed on by a proxy, needs no token. Switch it off where others have accounts here."""
    secure_cookie: bool = False
    """True where the page is served by HTTPS only: the session cookie then never travels in the clear."""
    session_h: float = Field(default=30 * 24.0, gt=0, le=365 * 24)
    """How long a signed-in page stays signed in. Judgement: a month, since a phone in a van is its owner's."""
    body_limit_bytes: int = Field(default=1_000_000, ge=1_000, le=50_000_000)
    requests_per_minute: int = Field(default=1_200, ge=10)
    """For each client. Judgement: a page with live updates asks a few times a minute, a script that asks 20 times a second is still served."""
    failures_per_minute: int = Field(default=20, ge=1)
    """Refused tokens for each address; a stolen list of guesses gets nowhere, a person who mistypes does."""
    most_points: int = Field(default=5_000, ge=100, le=100_000)
    """Points in one answer of history. Judgement: more than any screen is wide."""
    live_every_s: float = Field(default=1.0, ge=0.05)
    live_idle_s: float = Field(default=15.0, ge=0.1)
    most_watchers: int = Field(default=200, ge=1)
