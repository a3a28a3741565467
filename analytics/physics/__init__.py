"""The physical models: on-times, coil heat, cable, magnet, release, and the rail and its supply.

A model takes tables and gives numbers; what several pages ask of one history is worked out once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from remanence.shared.on_demand import on_demand

if TYPE_CHECKING:
    from remanence.analytics.physics.battery import BatteryOutlook, battery_outlook
    from remanence.analytics.physics.cable import (
        COPPER_PER_KELVIN,
        SIZES_MM2,
        Branch,
        CableNeeded,
        branch,
        cable_needed,
    )
    from remanence.analytics.physics.clock_step import coarse_clocks, too_coarse
    from remanence.analytics.physics.coil_heat import heat_at_start, heat_of_week, heated, volts_of
    from remanence.analytics.physics.idle_volts import OFF_SHARE, IdleVolts, Level, idle_drift
    from remanence.analytics.physics.latency import release_latency
    from remanence.analytics.physics.magnet import Hold, holding_force
    from remanence.analytics.physics.off_voltage import SwitchOff, switch_offs
    from remanence.analytics.physics.on_times import end_slack_ms, loaded_throughout, times_of
    from remanence.analytics.physics.pulse import PresentPulse, present_pulse, present_pulses
    from remanence.analytics.physics.rail_load import (
        NEW_COIL,
        ROOM_KELVIN,
        RailLoad,
        logged_currents,
        measured_sags,
        rail_loads,
        rested,
    )
    from remanence.analytics.physics.rail_model import Company, Prediction, RailModel, company
    from remanence.analytics.physics.regimes import (
        ABOUT_DAYS,
        CONTACT,
        RAIL,
        READING,
        Regime,
        Regimes,
        regimes,
    )
    from remanence.analytics.physics.release import Solenoid
    from remanence.analytics.physics.release_fit import (
        Explained,
        ReleaseFit,
        explain,
        fit_release,
        loaded,
    )
    from remanence.analytics.physics.sag_release import (
        SagError,
        SagReadings,
        sag_error,
        sag_readings,
    )
    from remanence.analytics.physics.source_resistance import (
        RailResistance,
        Resistance,
        latest_resistance,
        rail_resistance,
        with_load,
    )
    from remanence.analytics.physics.stall import stall_log_odds
    from remanence.analytics.physics.supply import recovery, ripple_volts

__all__ = [
    "ABOUT_DAYS", "BatteryOutlook", "Branch", "CONTACT", "COPPER_PER_KELVIN", "CableNeeded",
    "Company", "Explained", "Hold", "IdleVolts", "Level", "NEW_COIL", "OFF_SHARE", "Prediction",
    "PresentPulse", "RAIL", "READING", "ROOM_KELVIN", "RailLoad", "RailModel", "RailResistance",
    "Regime", "Regimes", "ReleaseFit", "Resistance", "SIZES_MM2", "SagError", "SagReadings",
    "Solenoid",
    "SwitchOff", "battery_outlook", "branch", "cable_needed", "coarse_clocks", "company",
    "end_slack_ms", "explain", "fit_release", "heat_at_start", "heat_of_week", "heated",
    "holding_force", "idle_drift", "latest_resistance", "loaded", "loaded_throughout",
    "logged_currents", "measured_sags", "present_pulse", "present_pulses", "rail_loads",
    "rail_resistance", "recovery", "regimes", "release_latency", "rested", "ripple_volts",
    "sag_error", "sag_readings", "stall_log_odds", "switch_offs", "times_of", "too_coarse",
    "volts_of", "with_load",
]

__getattr__ = on_demand(__name__, {
    "battery": ("BatteryOutlook", "battery_outlook"),
    "cable": ("Branch", "COPPER_PER_KELVIN", "CableNeeded", "SIZES_MM2", "branch", "cable_needed"),
    "clock_step": ("coarse_clocks", "too_coarse"),
    "coil_heat": ("heat_at_start", "heat_of_week", "heated", "volts_of"),
    "idle_volts": ("IdleVolts", "Level", "OFF_SHARE", "idle_drift"),
    "latency": ("release_latency",),
    "magnet": ("Hold", "holding_force"),
    "off_voltage": ("SwitchOff", "switch_offs"),
    "on_times": ("end_slack_ms", "loaded_throughout", "times_of"),
    "pulse": ("PresentPulse", "present_pulse", "present_pulses"),
    "rail_load": ("NEW_COIL", "ROOM_KELVIN", "RailLoad", "logged_currents", "measured_sags",
        "rail_loads", "rested"),
    "rail_model": ("Company", "Prediction", "RailModel", "company"),
    "regimes": ("ABOUT_DAYS", "CONTACT", "RAIL", "READING", "Regime", "Regimes", "regimes"),
    "release": ("Solenoid",),
    "release_fit": ("Explained", "ReleaseFit", "explain", "fit_release", "loaded"),
    "sag_release": ("SagError", "SagReadings", "sag_error", "sag_readings"),
    "source_resistance": ("RailResistance", "Resistance", "latest_resistance", "rail_resistance",
        "with_load"),
    "stall": ("stall_log_odds",),
    "supply": ("recovery", "ripple_volts"),
})
