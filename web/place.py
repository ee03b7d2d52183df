"""Where a question comes from."""

from ipaddress import ip_address, ip_network


def local_address(address: str) -> bool:
    """Whether whoever asks is on the box itself, as through an ssh tunnel."""
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return False


def place_of(address: str) -> str:
    """What counts as one place when its questions or tries are counted: an address, or a network of
    IPv6."""
    try:
        found = ip_address(address)
    except ValueError:
        return address
    mapped = getattr(found, "ipv4_mapped", None)
    if found.version == 6 and mapped is None:
        return str(ip_network(f"{found}/64", strict=False))
    return str(mapped or found)
