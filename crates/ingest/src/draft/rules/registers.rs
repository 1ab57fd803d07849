//! The rules of the registers and of what happened.

use super::{AT, RESERVOIR_ID, Rules, UNIT_ID};

pub(super) const UNITS: &[Rules] = &[
    UNIT_ID,
    // A list of machines calls them by their tags; in a log a tag is a signal.
    ("unit_id", &[(&["tag"], 7.5), (&["tag", "id"], 8.0)]),
    ("size_class", &[(&["class"], 8.5)]),
    (
        "nameplate_flow_lpm",
        &[
            (&["rated", "flow"], 10.0),
            (&["flow"], 7.5),
            (&["rated"], 4.0),
        ],
    ),
    (
        "heater_rated_kw",
        &[
            (&["heater", "rated"], 10.0),
            (&["heater", "power"], 9.5),
            (&["heater"], 8.0),
            (&["power"], 5.0),
        ],
    ),
    (
        "vacuum_pump_m3h",
        &[
            (&["vacuum", "pump"], 9.0),
            (&["pump"], 7.0),
            (&["suction"], 5.0),
        ],
    ),
    (
        "vacuum_pump_kind",
        &[
            (&["vacuum", "pump", "type"], 10.0),
            (&["pump", "type"], 9.5),
            (&["type"], 5.0),
        ],
    ),
    (
        "chamber_volume_l",
        &[
            (&["chamber", "volume"], 10.0),
            (&["chamber"], 7.5),
            (&["volume"], 5.0),
        ],
    ),
    (
        "commissioned_on",
        &[
            (&["commissioned"], 9.5),
            (&["inlet", "service"], 9.0),
            (&["service"], 6.0),
            (&["date"], 5.0),
        ],
    ),
    (
        "home_site_id",
        &[
            (&["home", "site"], 10.0),
            (&["home"], 9.0),
            (&["site"], 7.0),
        ],
    ),
    (
        "water_sensor_place",
        &[
            (&["water", "probe"], 8.5),
            (&["probe", "point"], 9.0),
            (&["probe", "site"], 9.0),
            (&["probe"], 8.0),
        ],
    ),
    (
        "oil_families_allowed",
        &[(&["oil", "family"], 10.0), (&["family"], 9.0)],
    ),
    (
        "insulating_oil_ready",
        &[
            (&["insulating"], 9.0),
            (&["insulating", "oil"], 9.5),
            (&["tank", "suited"], 9.0),
        ],
    ),
];

pub(super) const SITES: &[Rules] = &[
    (
        "site_id",
        &[
            (&["site"], 9.0),
            (&["site", "id"], 10.0),
            (&["site", "code"], 10.0),
            (&["code"], 7.5),
            (&["id"], 5.0),
        ],
    ),
    ("name", &[(&["name"], 9.0), (&["site", "name"], 10.0)]),
    ("altitude_m", &[(&["altitude"], 9.5)]),
    ("timezone", &[(&["timezone"], 9.5)]),
];

pub(super) const OILS: &[Rules] = &[
    (
        "oil_type",
        &[
            (&["oil", "type"], 10.0),
            (&["oil"], 8.0),
            (&["oil", "id"], 10.0),
            (&["oil", "name"], 9.0),
            (&["product"], 7.0),
        ],
    ),
    ("family", &[(&["family"], 9.5), (&["oil", "family"], 10.0)]),
    ("iso_vg", &[(&["vg"], 9.5)]),
    (
        "viscosity_40c_mm2s",
        &[
            (&["kv40"], 9.5),
            (&["viscosity", "40"], 10.0),
            (&["viscosity"], 6.0),
        ],
    ),
    (
        "viscosity_100c_mm2s",
        &[(&["kv100"], 9.5), (&["viscosity", "100"], 10.0)],
    ),
    ("density_15c_kgm3", &[(&["density"], 9.5)]),
    (
        "solubility_a",
        &[(&["solubility", "a"], 10.0), (&["a"], 6.0)],
    ),
    (
        "solubility_b_k",
        &[(&["solubility", "b"], 10.0), (&["b"], 6.0)],
    ),
    (
        "flash_degc",
        &[(&["flash"], 9.5), (&["flash", "point"], 10.0)],
    ),
];

pub(super) const RESERVOIRS: &[Rules] = &[
    (
        "reservoir_id",
        &[
            (&["tank"], 9.5),
            (&["tank", "id"], 10.0),
            (&["tank", "name"], 9.5),
            (&["asset"], 6.0),
            (&["id"], 4.0),
        ],
    ),
    ("site_id", &[(&["site"], 9.0), (&["site", "id"], 10.0)]),
    ("service", &[(&["service"], 8.5)]),
    (
        "oil_type",
        &[
            (&["oil"], 8.5),
            (&["oil", "type"], 10.0),
            (&["product"], 7.0),
        ],
    ),
    (
        "volume_l",
        &[
            (&["volume"], 9.0),
            (&["tank", "volume"], 10.0),
            (&["oil", "volume"], 10.0),
        ],
    ),
    (
        "volume_basis",
        &[(&["basis"], 9.0), (&["volume", "basis"], 10.0)],
    ),
    (
        "water_limit_ppm",
        &[(&["water", "limit"], 10.0), (&["water"], 6.0)],
    ),
    (
        "cleanliness_limit",
        &[(&["cleanliness", "limit"], 10.0), (&["cleanliness"], 7.0)],
    ),
    (
        "acid_limit_mgkoh_g",
        &[(&["acid", "limit"], 10.0), (&["acid"], 6.5)],
    ),
    (
        "coldest_oil_degc",
        &[(&["coldest"], 9.5), (&["min", "temp"], 9.0)],
    ),
    (
        "max_oil_degc",
        &[(&["hottest"], 9.5), (&["temp", "limit"], 9.0)],
    ),
    ("criticality", &[(&["criticality"], 9.0)]),
    ("paper_insulated", &[(&["paper"], 9.0)]),
    ("energised", &[(&["energised"], 9.0)]),
    ("pcb_status", &[(&["pcb"], 9.5)]),
    ("breather", &[(&["breather"], 9.5)]),
];

pub(super) const DEPLOYMENTS: &[Rules] = &[
    UNIT_ID,
    RESERVOIR_ID,
    (
        "from_at",
        &[
            (&["from"], 9.5),
            (&["from", "time"], 10.0),
            (&["from", "date"], 10.0),
        ],
    ),
    (
        "to_at",
        &[
            (&["to"], 9.5),
            (&["to", "time"], 10.0),
            (&["to", "date"], 10.0),
        ],
    ),
];

pub(super) const MAINTENANCE: &[Rules] = &[
    UNIT_ID,
    AT,
    ("action", &[(&["action"], 9.0), (&["type"], 4.0)]),
    ("note", &[(&["note"], 8.5), (&["text"], 6.0)]),
    ("serial", &[(&["serial"], 7.5), (&["pump", "serial"], 10.0)]),
    ("hours_meter", &[(&["hours"], 9.0)]),
];

pub(super) const RESERVOIR_EVENTS: &[Rules] = &[
    RESERVOIR_ID,
    AT,
    (
        "action",
        &[(&["action"], 9.0), (&["type"], 4.0), (&["event"], 6.0)],
    ),
    ("volume_l", &[(&["volume"], 9.0), (&["oil", "volume"], 9.5)]),
    (
        "oil_type",
        &[
            (&["oil"], 8.5),
            (&["oil", "type"], 10.0),
            (&["product"], 7.0),
        ],
    ),
    (
        "water_ppm",
        &[
            (&["water"], 8.5),
            (&["water", "ppm"], 10.0),
            (&["ppm"], 7.5),
        ],
    ),
    ("note", &[(&["note"], 8.5), (&["text"], 6.0)]),
];

pub(super) const UNIT_EVENTS: &[Rules] = &[
    UNIT_ID,
    AT,
    (
        "code",
        &[
            (&["code"], 9.0),
            (&["event", "code"], 10.0),
            (&["alarm", "code"], 10.0),
            (&["event"], 6.0),
        ],
    ),
    (
        "kind",
        &[
            (&["type"], 6.0),
            (&["event", "type"], 9.0),
            (&["event"], 6.5),
        ],
    ),
    (
        "text",
        &[
            (&["text"], 8.5),
            (&["event", "text"], 9.5),
            (&["alarm", "text"], 9.0),
            (&["note"], 6.0),
        ],
    ),
    ("value", &[(&["value"], 8.0)]),
];
