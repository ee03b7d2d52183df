"""The present figures in the Prometheus text format. Pure."""

from collections.abc import Iterable, Mapping
from typing import Any

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric

from edge.model import QUANTITIES
from edge.settings import Settings
from web.present import FirstView
from web.sentence import WORDS

MIMETYPE = "text/plain; version=0.0.4; charset=utf-8"

_FIGURES: Mapping[str, tuple[str, ...]] = {
    "section_pressure_kpa": ("pressure_kpa",),
    "section_running": ("running",),
    "section_cut_in_kpa": ("cut_in_kpa",),
    "section_cut_out_kpa": ("cut_out_kpa",),
    "section_loss_kpa_per_h": ("loss", "loss_kpa_per_h"),
    "section_loss_low_kpa_per_h": ("loss", "loss_low_kpa_per_h"),
    "section_loss_high_kpa_per_h": ("loss", "loss_high_kpa_per_h"),
    "section_commissioned_loss_kpa_per_h": ("baseline", "loss_kpa_per_h"),
    "section_rise_kpa_per_h": ("rise_kpa_per_h",),
    "section_nitrogen_percent": ("purity", "nitrogen_pct"),
    "section_duty_percent": ("duty_pct",),
    "section_runtime_day_seconds": ("runtime_day_s",),
    "section_starts_day": ("starts_day",),
    "section_hours_above_low": ("hours_above_low", "hours"),
}


_MESSENGERS = (
    (
        "dryhold_messenger_connected",
        "connected",
        "1 while a broker or mail server accepts what it is told",
    ),
    ("dryhold_messages_waiting", "waiting", "Events that a receiver has not accepted yet"),
    ("dryhold_messages_dropped", "dropped", "Given up since the start, for want of room"),
)


class _Picture:
    """One look, as the client library collects it."""

    def __init__(
        self, latest: Mapping[str, Any] | None, view: FirstView, settings: Settings
    ) -> None:
        self._latest, self._view, self._settings = latest, view, settings

    def collect(self) -> Iterable[Metric]:
        seen, site = self._view.seen, self._settings.site.id
        yield _one(
            "dryhold_fresh",
            "1 while the data is new enough to be shown as the present",
            site,
            seen.fresh,
        )
        if seen.age_s is not None:
            yield _one("dryhold_data_age_seconds", "Age of the newest data", site, seen.age_s)
        states = GaugeMetricFamily(
            "dryhold_state", "1 for the present state", labels=["site", "state"]
        )
        for word in WORDS:
            states.add_metric([site, word], float(word == self._view.state.key))
        yield states
        # Figures of old data would pass for the present ones: they are left out instead.
        if self._latest is None or not seen.fresh:
            return
        yield from self._channels(site)
        yield from self._sections(site)
        yield from self._monitor(site, self._latest.get("monitor") or {})
        alerts = GaugeMetricFamily(
            "dryhold_alert",
            "1 for each open alert",
            labels=["site", "section", "alert", "priority", "state"],
        )
        for a in self._latest["picture"].get("alerts") or ():
            alerts.add_metric(
                [site, a.get("section") or "", a["alert"], a["priority"], a["state"]], 1.0
            )
        yield alerts

    def _channels(self, site: str) -> Iterable[Metric]:
        assert self._latest is not None
        value = GaugeMetricFamily(
            "dryhold_channel_value",
            "Newest value of a channel",
            labels=["site", "channel", "quantity", "unit"],
        )
        good = GaugeMetricFamily(
            "dryhold_channel_good",
            "1 while the channel's status is good",
            labels=["site", "channel"],
        )
        for name, said in self._latest["channels"].items():
            good.add_metric([site, name], float(said["status"] == "good"))
            if said["value"] is not None:
                unit = QUANTITIES[said["quantity"]].unit
                value.add_metric([site, name, said["quantity"], unit], float(said["value"]))
        yield value
        yield good

    def _monitor(self, site: str, said: Mapping[str, Any]) -> Iterable[Metric]:
        yield _one(
            "dryhold_kept",
            "1 while what is judged reaches the database",
            site,
            said.get("not_kept") is None,
        )
        for what in ("readings", "events"):
            yield _one(
                f"dryhold_{what}_lost",
                f"Kept neither in the database nor in memory since the start: {what}",
                site,
                said.get(f"{what}_lost") or 0,
            )
        for name, key, words in _MESSENGERS:
            family = GaugeMetricFamily(name, words, labels=["site", "messenger"])
            for messenger, state in (said.get("messengers") or {}).items():
                if state.get(key) is not None:
                    family.add_metric([site, messenger], float(state[key]))
            if family.samples:
                yield family

    def _sections(self, site: str) -> Iterable[Metric]:
        assert self._latest is not None
        for name, path in _FIGURES.items():
            family = GaugeMetricFamily(
                f"dryhold_{name}", f"{' '.join(path).replace('_', ' ')}", labels=["site", "section"]
            )
            for section, figures in (self._latest["picture"].get("sections") or {}).items():
                found: Any = figures
                for step in path:
                    found = found.get(step) if isinstance(found, Mapping) else None
                if found is not None:
                    family.add_metric([site, section], float(found))
            if family.samples:
                yield family


def _one(name: str, words: str, site: str, value: float) -> Metric:
    family = GaugeMetricFamily(name, words, labels=["site"])
    family.add_metric([site], float(value))
    return family


def text(latest: Mapping[str, Any] | None, view: FirstView, settings: Settings) -> bytes:
    """What a collector reads."""
    registry = CollectorRegistry()
    registry.register(_Picture(latest, view, settings))
    return generate_latest(registry)
