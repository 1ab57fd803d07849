//! The usual cautions, on every report and mail. General wording (common practice, no source);
//! local codes, the equipment maker and licensed practice always come first.

/// The line near the top of every page and mail.
pub const CAUTION_LINE: &str = "Hot oil burns; a chamber under vacuum can implode; heaters and \
    pumps are live electrical equipment; insulating oil may hold PCB and is for licensed specialists.";

/// What comes before anything a report or mail says.
pub const FIRST_WORD: &str = "Local codes, the equipment maker's instructions and licensed \
    practice come before anything said here.";

/// Title and text of each caution.
pub const CAUTIONS: &[(&str, &str)] = &[
    (
        "Hot oil",
        "Oil at 65 °C burns skin in seconds and hoses can part under pressure: gloves, face shield, restrained hoses, a relief path.",
    ),
    (
        "Vacuum",
        "A chamber under vacuum can implode or draw in oil and air: never open a fitting under vacuum, break vacuum slowly through the vent, keep off sight glasses.",
    ),
    (
        "Heaters and flash point",
        "No heater without flow; let oil flow one to two minutes after the heater is off; keep well below the flash point. Oil that may hold fuel or solvent: test first, do not process.",
    ),
    (
        "Exhaust",
        "The vacuum pump gives off water vapour, oil mist and anything volatile in the oil, hydrogen sulphide among it: duct it outdoors, test the gas, no ignition sources.",
    ),
    (
        "Electricity",
        "Lock out and tag out by local law; bond and ground hoses against static; residual-current protection for mobile units.",
    ),
    (
        "Insulating oil",
        "Test for PCB before a unit is sent. Work on transformers, energised ones above all, is for licensed specialists with a written procedure. Nothing here assesses the paper.",
    ),
    (
        "What these figures are",
        "Advice from records, never an interlock: sensors can be wrong, and qualified people decide. \"Dry\" needs a sample taken a day after the unit stopped.",
    ),
];
