"""From the on-call settings to the team's agreement that the rules work with."""

from zoneinfo import ZoneInfo

from daemon.oncall.check import aware
from daemon.oncall.settings import MannerSettings, OnCallSettings
from rules.alarms.life_cycle import Priority
from rules.calling.duty import DEFAULT_MANNERS, Duty, Manner, Pair
from rules.calling.rota import QuietHours, Rota, Swap


def duty_of(settings: OnCallSettings) -> Duty:
    """Return the agreement that settings which `oncall_check` found sound describe."""
    zone = ZoneInfo(settings.oncall.time_zone)
    rota, quiet, silence = settings.rota, settings.quiet_hours, settings.silence
    by_word: dict[str, MannerSettings] = dict(settings.priorities.items())
    swaps = [
        Swap(_ms(aware(swap.start, zone).timestamp()), _ms(aware(swap.end, zone).timestamp()), swap.person)
        for swap in rota.swaps
    ]
    return Duty(
        rota=Rota(rota.people, rota.first_day, rota.hand_over, zone, tuple(swaps)),
        quiet=None if quiet is None else QuietHours(quiet.start, quiet.end, zone),
        digest_at=settings.digest.at,
        manners={rank: _manner(DEFAULT_MANNERS[rank], by_word.get(rank.word)) for rank in Priority},
        racks=settings.oncall.racks,
        gather_ms=_ms(settings.oncall.gather_s),
        gone_after_ms=_ms(silence.gone_after_s),
        silent_after_ms=_ms(silence.heartbeats_missed * settings.broker.heartbeat_s),
        heartbeat_ms=_ms(settings.broker.heartbeat_s),
        stopped_after_ms=_ms(silence.stopped_after_s),
        link_lost_after_ms=_ms(silence.broker_after_s),
        flood_calls=settings.flood.calls,
        flood_window_ms=_ms(settings.flood.within_s),
        pair=_pair(settings),
        words_at=settings.daily_word,
    )


def _pair(settings: OnCallSettings) -> Pair | None:
    pair, own = settings.pair, settings.oncall.name
    if pair is None:
        return None
    is_second = own == pair.second
    return Pair(pair.first if is_second else pair.second, is_second, _ms(pair.missing_after_s))


def _manner(built_in: Manner, own: MannerSettings | None) -> Manner:
    if own is None:
        return built_in
    return Manner(
        own.when or built_in.when,
        _ms(own.repeat_s) if own.repeat_s else built_in.repeat_ms,
        _ms(own.hand_over_s) if own.hand_over_s else built_in.hand_over_ms,
        _ms(own.ask_again_s) if own.ask_again_s else built_in.ask_again_ms,
    )


def _ms(seconds: float) -> int:
    return round(seconds * 1000)
