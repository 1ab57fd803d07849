//! Which meanings of a header's words speak for which column of a table, and how strongly.
//!
//! A rule holds where the header has all its meanings; words beyond them weaken it.

mod registers;

/// A column and its rules: the meanings that must be there, and a weight up to 10.
pub(super) type Rules = (&'static str, &'static [(&'static [&'static str], f64)]);

/// The rules of a table; empty for a table that has none.
pub(super) fn rules_of(table: &str) -> &'static [Rules] {
    match table {
        "readings" => READINGS,
        "samples" => SAMPLES,
        "results" => RESULTS,
        "units" => registers::UNITS,
        "sites" => registers::SITES,
        "oils" => registers::OILS,
        "reservoirs" => registers::RESERVOIRS,
        "deployments" => registers::DEPLOYMENTS,
        "maintenance" => registers::MAINTENANCE,
        "reservoir_events" => registers::RESERVOIR_EVENTS,
        "unit_events" => registers::UNIT_EVENTS,
        _ => &[],
    }
}

const UNIT_ID: Rules = (
    "unit_id",
    &[
        (&["machine"], 9.0),
        (&["machine", "id"], 10.0),
        (&["machine", "name"], 9.5),
        (&["asset"], 5.0),
        (&["asset", "id"], 5.5),
        (&["machine", "serial"], 9.0),
        (&["serial"], 4.0),
    ],
);
const RESERVOIR_ID: Rules = (
    "reservoir_id",
    &[
        (&["tank"], 9.0),
        (&["tank", "id"], 10.0),
        (&["tank", "name"], 9.5),
        (&["asset"], 4.5),
        (&["asset", "id"], 5.0),
    ],
);
const AT: Rules = (
    "at",
    &[
        (&["time"], 9.0),
        (&["date"], 8.0),
        (&["date", "time"], 10.0),
        (&["serial"], 6.0),
        (&["serial", "date"], 8.0),
        (&["from"], 3.5),
    ],
);
const SAMPLE_ID: Rules = (
    "sample_id",
    &[
        (&["sample", "id"], 10.0),
        (&["probe", "id"], 8.0),
        (&["sample"], 6.0),
        (&["probe"], 4.5),
        (&["report"], 8.0),
        (&["report", "id"], 9.0),
        (&["lab", "id"], 9.5),
        (&["id"], 4.0),
    ],
);

const READINGS: &[Rules] = &[
    UNIT_ID,
    AT,
    RESERVOIR_ID,
    (
        "chamber_pressure_kpa",
        &[
            (&["chamber", "pressure"], 10.0),
            (&["chamber", "vacuum"], 10.0),
            (&["vacuum", "pressure"], 9.0),
            (&["vacuum", "gauge"], 9.0),
            (&["vacuum", "level"], 8.5),
            (&["vacuum"], 8.0),
            (&["chamber"], 6.5),
            (&["pressure"], 4.0),
        ],
    ),
    (
        "ambient_kpa",
        &[
            (&["baro"], 9.0),
            (&["baro", "pressure"], 10.0),
            (&["ambient", "pressure"], 9.0),
        ],
    ),
    (
        "oil_supply_degc",
        &[
            (&["supply", "temp"], 9.5),
            (&["supply"], 6.0),
            (&["oil", "supply"], 8.0),
            (&["tank", "temp"], 6.5),
        ],
    ),
    (
        "oil_inlet_degc",
        &[
            (&["oil", "inlet", "temp"], 10.0),
            (&["inlet", "temp"], 9.5),
            (&["oil", "inlet"], 9.0),
            (&["inlet"], 6.5),
            (&["oil", "temp"], 5.5),
        ],
    ),
    (
        "oil_outlet_degc",
        &[
            (&["oil", "outlet", "temp"], 10.0),
            (&["outlet", "temp"], 9.5),
            (&["oil", "outlet"], 9.0),
            (&["outlet"], 6.5),
        ],
    ),
    (
        "oil_flow_lpm",
        &[(&["oil", "flow"], 10.0), (&["flow"], 8.5)],
    ),
    (
        "discharge_kpa_gauge",
        &[
            (&["discharge", "pressure"], 10.0),
            (&["discharge"], 8.0),
            (&["oil", "pressure"], 6.5),
            (&["pump", "pressure"], 6.0),
            (&["outlet", "pressure"], 8.0),
            (&["pressure"], 3.8),
        ],
    ),
    (
        "suction_kpa_gauge",
        &[
            (&["suction", "pressure"], 10.0),
            (&["suction"], 7.5),
            (&["inlet", "pressure"], 7.0),
        ],
    ),
    (
        "filter_dp_kpa",
        &[
            (&["filter", "delta"], 10.0),
            (&["filter", "pressure"], 8.5),
            (&["filter", "delta", "pressure"], 10.0),
            (&["filter"], 5.5),
            (&["delta", "pressure"], 7.0),
        ],
    ),
    (
        "oil_pump_hz",
        &[
            (&["oil", "pump", "frequency"], 10.0),
            (&["pump", "frequency"], 9.0),
            (&["frequency"], 8.0),
        ],
    ),
    (
        "water_ppm",
        &[
            (&["water", "ppm"], 10.0),
            (&["oil", "water"], 8.5),
            (&["water"], 7.5),
            (&["ppm"], 5.0),
            (&["humidity"], 4.0),
            (&["oil", "humidity"], 5.0),
        ],
    ),
    (
        "water_activity",
        &[
            (&["water", "activity"], 10.0),
            (&["activity"], 8.5),
            (&["oil", "activity"], 9.5),
            (&["oil", "humidity"], 8.5),
            (&["humidity"], 6.5),
            (&["water"], 5.0),
            (&["oil", "water"], 5.5),
        ],
    ),
    (
        "water_sensor_degc",
        &[
            (&["probe", "temp"], 9.5),
            (&["water", "temp"], 6.5),
            (&["water", "probe", "temp"], 10.0),
        ],
    ),
    (
        "vent_open_pct",
        &[
            (&["vent", "valve"], 10.0),
            (&["vent"], 8.5),
            (&["valve"], 4.0),
        ],
    ),
    (
        "heater_kw",
        &[
            (&["heater", "power"], 10.0),
            (&["heater"], 7.0),
            (&["power"], 5.5),
        ],
    ),
    (
        "heater_on",
        &[
            (&["heater", "on"], 10.0),
            (&["heater", "quality"], 9.5),
            (&["heater"], 7.5),
        ],
    ),
    (
        "heater_setpoint_degc",
        &[
            (&["heater", "setpoint"], 10.0),
            (&["temp", "setpoint"], 9.0),
            (&["setpoint"], 6.5),
        ],
    ),
    (
        "vacuum_pump_on",
        &[
            (&["vacuum", "pump", "on"], 10.0),
            (&["vacuum", "pump", "quality"], 10.0),
            (&["pump", "quality"], 7.5),
            (&["vacuum", "pump"], 9.5),
            (&["vacuum", "on"], 9.0),
            (&["pump", "on"], 7.5),
            (&["pump"], 6.0),
            (&["vacuum"], 4.5),
        ],
    ),
    (
        "vacuum_pump_amps",
        &[
            (&["vacuum", "pump", "current"], 10.0),
            (&["vacuum", "current"], 9.0),
            (&["pump", "current"], 8.5),
            (&["current"], 6.5),
        ],
    ),
    (
        "vacuum_pump_degc",
        &[
            (&["vacuum", "pump", "temp"], 10.0),
            (&["pump", "temp"], 8.0),
        ],
    ),
    (
        "chamber_level_pct",
        &[(&["chamber", "level"], 10.0), (&["level"], 6.0)],
    ),
    (
        "sump_level_pct",
        &[(&["sump", "level"], 10.0), (&["sump"], 7.5)],
    ),
    (
        "ambient_degc",
        &[(&["ambient", "temp"], 10.0), (&["ambient"], 7.0)],
    ),
    (
        "run_hours_h",
        &[
            (&["on", "hours"], 9.5),
            (&["on", "time", "hours"], 10.0),
            (&["machine", "hours"], 9.0),
            (&["hours"], 8.0),
        ],
    ),
    (
        "oil_total_l",
        &[
            (&["oil", "total"], 9.5),
            (&["flow", "total"], 9.0),
            (&["total", "volume"], 9.0),
            (&["total"], 6.5),
        ],
    ),
    (
        "running",
        &[
            (&["machine", "on"], 9.0),
            (&["machine", "quality"], 7.0),
            (&["quality"], 4.5),
            (&["on"], 7.0),
        ],
    ),
    (
        "alarm",
        &[
            (&["alarm"], 9.0),
            (&["alarm", "text"], 9.5),
            (&["alarm", "code"], 8.0),
        ],
    ),
];

const SAMPLES: &[Rules] = &[
    ("lab", &[(&["lab"], 8.0), (&["lab", "name"], 9.0)]),
    SAMPLE_ID,
    (
        "reservoir_id",
        &[
            (&["tank"], 9.0),
            (&["tank", "id"], 10.0),
            (&["asset"], 7.0),
            (&["asset", "id"], 8.0),
            (&["machine"], 4.0),
        ],
    ),
    ("unit_id", &[(&["machine"], 6.0), (&["machine", "id"], 7.0)]),
    (
        "taken_at",
        &[
            (&["taken"], 9.0),
            (&["taken", "date"], 10.0),
            (&["taken", "time"], 10.0),
            (&["sample", "date"], 9.5),
            (&["sample", "time"], 9.5),
            (&["date"], 5.0),
            (&["date", "time"], 6.0),
            (&["time"], 4.0),
        ],
    ),
    (
        "reported_at",
        &[
            (&["reported"], 9.0),
            (&["reported", "date"], 10.0),
            (&["report", "date"], 9.5),
            (&["report", "time"], 8.0),
            (&["report"], 5.5),
        ],
    ),
    (
        "sample_point",
        &[
            (&["sample", "point"], 10.0),
            (&["point"], 8.0),
            (&["taken", "point"], 10.0),
        ],
    ),
    (
        "sample_degc",
        &[
            (&["sample", "temp"], 9.5),
            (&["oil", "temp"], 9.0),
            (&["temp"], 8.0),
        ],
    ),
    (
        "water_ppm",
        &[
            (&["water", "kf"], 10.0),
            (&["water", "ppm"], 10.0),
            (&["water"], 9.0),
            (&["kf"], 8.0),
            (&["humidity"], 4.0),
        ],
    ),
    (
        "iso4406",
        &[
            (&["cleanliness"], 9.5),
            (&["cleanliness", "code"], 10.0),
            (&["cleanliness", "class"], 9.5),
            (&["code"], 6.0),
        ],
    ),
    (
        "viscosity_40c_mm2s",
        &[
            (&["kv40"], 9.5),
            (&["viscosity", "40"], 10.0),
            (&["viscosity"], 7.0),
        ],
    ),
    ("acid_mgkoh_g", &[(&["acid"], 9.5), (&["acid", "id"], 10.0)]),
    ("breakdown_kv", &[(&["breakdown"], 9.5)]),
];

const RESULTS: &[Rules] = &[
    ("lab", &[(&["lab"], 8.0)]),
    SAMPLE_ID,
    (
        "analyte",
        &[(&["analyte"], 9.5), (&["analyte", "name"], 10.0)],
    ),
    (
        "value",
        &[
            (&["result"], 9.5),
            (&["value"], 8.0),
            (&["result", "value"], 10.0),
        ],
    ),
    ("censor", &[(&["qualifier"], 9.0)]),
    ("unit", &[(&["uom"], 9.5), (&["machine"], 9.0)]),
    ("method", &[(&["method"], 9.5)]),
    (
        "detection_limit",
        &[
            (&["detection", "limit"], 10.0),
            (&["detection"], 8.5),
            (&["limit"], 6.0),
        ],
    ),
];
