"""no_cut_out: the pressure is past cut-out and the generator still runs."""

from edge.detect.base import URGENT, Detector, Now, Telling


class NoCutOut(Detector):
    alert = "no_cut_out"
    priority = URGENT
    on_delay_s = 60.0
    off_delay_s = 5.0

    def look(self, now: Now, active: bool) -> bool | None:
        kpa = now.kpa
        if kpa is None:
            return None
        if not now.supply.running:
            return False
        supply = now.settings.supply
        return kpa > supply.cut_out_kpa + (0.5 if active else 1.0) * supply.tolerance_kpa

    def tell(self, now: Now) -> Telling:
        kpa = now.kpa or 0.0
        cut_out = now.settings.supply.cut_out_kpa
        return Telling(
            f"The pressure was {now.words.pressure_beside(kpa, cut_out)}, past the cut-out of"
            f" {now.words.pressure(cut_out)}, and the generator still ran.",
            "The pressure control is mis-set or has failed: have it looked at now, and do not rely"
            " on the relief valve.",
            {"pressure_kpa": kpa, "cut_out_kpa": round(cut_out, 4)},
            "control_fault",
        )

    def present(self, now: Now, raised: str) -> str:
        cut_out = now.settings.supply.cut_out_kpa
        runs = "still runs" if now.supply.running else "rests"
        return (
            f"The pressure {now.against(self.section, cut_out)}, the cut-out is"
            f" {now.words.pressure(cut_out)}, and the generator {runs}."
        )
