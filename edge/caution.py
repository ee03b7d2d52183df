"""What stands under every page and every letter, and on every record of a hold test."""

CAUTION = (
    "This monitor supplements the listed supervisory and alarm devices and never replaces them. "
    "It commands no valve, no compressor and no part of the fire-protection system. "
    "Closing valves impairs protection: notify the monitoring station and the owner and follow "
    "the impairment procedure first; put every valve back and prove it. "
    "Compressed gas, rotating machinery and mains voltage injure; nitrogen displaces oxygen: "
    "ventilate where it vents. "
    "Local codes, the authority having jurisdiction and licensed people decide."
)
