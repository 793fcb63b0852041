"""One accent colour per meaning, the same on every page and in print, for light and for dark grounds.

Built on the eight colours of M. Okabe and K. Ito, Color Universal Design (2008), chosen there for eyes that confuse colours (from
memory). Where one of them is too faint for a thin mark, it is darkened on light ground and lifted on dark ground until it reaches
3:1 against the ground, the least that WCAG 2.1, criterion 1.4.11, asks of graphics (from memory). Colour never stands alone: each
meaning also has its own lane, shape or word.
"""

ACCENTS: dict[str, dict[str, str]] = {
    "chest": {"light": "#00629B", "dark": "#3F9BDA"},
    "breath": {"light": "#00875F", "dark": "#35C79B"},
    "device": {"light": "#B0568A", "dark": "#E29AC4"},
    "shock": {"light": "#C65200", "dark": "#FF8B3D"},
    "drug": {"light": "#8C6D1F", "dark": "#DDB84E"},
    "circulation": {"light": "#3595CE", "dark": "#A9DEFB"},
    "other": {"light": "#5F6B76", "dark": "#A9B4BF"},
}

# Which meaning a recorded channel belongs to; a channel that is not here is "other".
CHANNEL_MEANINGS: dict[str, str] = {
    "compression_depth": "chest",
    "compression_force": "chest",
    "chest_acceleration": "chest",
    "thoracic_impedance": "breath",
    "airway_pressure": "breath",
    "airway_flow": "breath",
    "co2": "breath",
    "etco2": "breath",
    "respiratory_rate": "breath",
    "ecg": "circulation",
    "pleth": "circulation",
    "arterial_pressure": "circulation",
    "spo2": "circulation",
    "heart_rate": "circulation",
}
