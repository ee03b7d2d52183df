"""setpoint_drift: the generator starts or stops at other pressures than it was set to."""

from edge.detect.base import PLANNED, Detector, Now, Telling


class SetpointDrift(Detector):
    """Two turns in a row on the same side, past the tolerance."""

    alert = "setpoint_drift"
    priority = PLANNED
    prompt = False
    follows = ("no_cut_out",)
    KEPT = ("strays",)

    def __init__(self, section: str) -> None:
        super().__init__(section)
        self.strays: dict[str, list[float]] = {"cut_in": [], "cut_out": []}

    def look(self, now: Now, active: bool) -> bool | None:
        supply = now.settings.supply
        given = {"cut_in": supply.cut_in_kpa, "cut_out": supply.cut_out_kpa}
        for fact in now.facts:
            if fact.kind in given:
                stray = fact.numbers["pressure_kpa"] - given[fact.kind]
                self.strays[fact.kind] = [*self.strays[fact.kind][-1:], stray]
        if not any(self.strays.values()):
            return None
        return any(self._strayed(kind, supply.tolerance_kpa) for kind in given)

    def _strayed(self, kind: str, tolerance_kpa: float) -> bool:
        strays = self.strays[kind]
        if len(strays) < 2:
            return False
        return min(strays) > tolerance_kpa or max(strays) < -tolerance_kpa

    def tell(self, now: Now) -> Telling:
        supply, words = now.settings.supply, now.words
        parts, evidence = [], {}
        for kind, given in (("cut_in", supply.cut_in_kpa), ("cut_out", supply.cut_out_kpa)):
            if self._strayed(kind, supply.tolerance_kpa):
                seen = given + self.strays[kind][-1]
                verb = "started" if kind == "cut_in" else "stopped"
                parts.append(
                    f"The generator {verb} at {words.pressure_beside(seen, given)}, not at"
                    f" {words.pressure(given)}."
                )
                evidence[f"{kind}_kpa"] = round(seen, 4)
        return Telling(
            " ".join(parts),
            "Have the pressure control checked and set at the next visit.",
            evidence,
            "control_fault",
        )

    def present(self, now: Now, raised: str) -> str:
        return self.tell(now).text or raised
