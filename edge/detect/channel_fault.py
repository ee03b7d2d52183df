"""channel_fault: a fitted channel gives no readings."""

from collections.abc import Iterator

from edge.detect.base import SOON, Detector, Now, Telling
from edge.settings import Settings


class ChannelFault(Detector):
    alert = "channel_fault"
    priority = SOON
    prompt = False
    on_delay_s = 60.0
    off_delay_s = 30.0

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        for channel in settings.channel:
            yield cls(settings.section(channel.name), channel.name)

    def look(self, now: Now, active: bool) -> bool | None:
        return self.subject in now.channels.failed

    def tell(self, now: Now) -> Telling:
        why = now.channels.failed.get(self.subject or "", "no reading")
        return Telling(
            f"The channel {self.subject} gave no readings: {why}.",
            "What depends on it is not judged until it speaks again. Check its plug, cable and"
            " supply with the wiring view.",
            {"channel": self.subject, "why": why},
        )

    def present(self, now: Now, raised: str) -> str:
        why = now.channels.failed.get(self.subject or "")
        if why is None:
            return f"The channel {self.subject} gives readings again."
        return f"The channel {self.subject} gives no readings: {why}."
