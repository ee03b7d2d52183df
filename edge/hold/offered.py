"""The methods that a site has: the trade's, and the settings' own. Pure."""

from edge.methods import STANDARD, Method
from edge.settings import Settings


def methods(settings: Settings) -> dict[str, Method]:
    """Every method at this site by name: the trade's, and the settings' own."""
    found = {method.name: method for method in STANDARD}
    for own in settings.method:
        found[own.name] = Method(
            own.name,
            f"the fall of the gauge over the test; more than {own.drop_kpa:.3g} kPa fails",
            own.note or "the site's own",
            longest_s=own.duration_s,
            duration_s=own.duration_s,
            drop_kpa=own.drop_kpa,
        )
    return found
