//! The words that headers are made of: English, German, and the commonest of French, Spanish and the
//! Scandinavian languages.
//!
//! The synonyms are common practice, no source.

/// A meaning and the words that carry it, in lower case.
pub(super) const MEANINGS: &[(&str, &str)] = &[
    (
        "time",
        "time timestamp ts zeit zeitstempel zeitpunkt uhrzeit datetime datumzeit stamp \
         when wann logged heure hora fechahora horodatage \
         tid tidspunkt klokke klokkeslett",
    ),
    (
        "date",
        "date datum day fecha \
         dato",
    ),
    ("serial", "serial serialdate sn seriennummer"),
    (
        "machine",
        "machine unit skid dehydrator vdu device anlage maschine gerät geraet aggregat rig \
         appareil máquina \
         maskin anlegg",
    ),
    ("asset", "asset equipment apparatus betriebsmittel"),
    (
        "tank",
        "tank reservoir behälter behaelter transformer transformator trafo ölbehälter \
         réservoir depósito \
         beholder cuve",
    ),
    ("chamber", "chamber kammer chmbr kessel chambre cámara"),
    (
        "pressure",
        "pressure press prs p druck pression presión \
         trykk tryk tryck",
    ),
    (
        "vacuum",
        "vacuum vac vakuum unterdruck vide vacío vacio vácuo vuoto dépression depression depresión \
         depresion depressione depressão undertryk undertrykk undertryck",
    ),
    ("gauge", "gauge gage manometer"),
    ("pump", "pump pumpe pumpen pompe bomba"),
    (
        "inlet",
        "in inlet eintritt vorlauf zulauf einlass entering entry entrée entree entrada \
         inn innløp",
    ),
    (
        "outlet",
        "out outlet austritt rücklauf ruecklauf ablauf auslass leaving return sortie \
         salida \
         ut ud utløp udløb",
    ),
    ("supply", "supply zufuhr"),
    (
        "oil",
        "oil öl oel fluid isolieröl huile aceite \
         olje olie olja",
    ),
    (
        "temp",
        "temp temperature temperatur t tmp température temperatura",
    ),
    (
        "flow",
        "flow flowrate durchfluss durchfluß fluss volumenstrom förderstrom nennmenge fördermenge \
         durchflussmenge q débit \
         debit caudal \
         strømning gjennomstrømning flöde",
    ),
    ("discharge", "discharge disch delivery druckseite"),
    ("suction", "suction saug ansaug saugseite"),
    (
        "filter",
        "filter filters \
         filtre filtro",
    ),
    ("delta", "dp delta differential diff differenz Δp δp"),
    ("frequency", "frequency freq frequenz hz vfd"),
    (
        "water",
        "water wasser h2o moisture wassergehalt eau agua \
         vann vand vatten",
    ),
    ("humidity", "feuchte feuchtigkeit humidity humidité humedad"),
    (
        "activity",
        "activity aw act aktivität rs rh rf saturation sättigung sat",
    ),
    ("ppm", "ppm"),
    ("probe", "probe sensor fühler sonde"),
    (
        "vent",
        "vent bleed spjæld damper lüftung lueftung belüftung entlüftung lüftungs",
    ),
    ("valve", "valve ventil"),
    (
        "heater",
        "heater heizung heiz htr heat heating erhitzer chauffage calentador \
         varmer",
    ),
    ("power", "power leistung puissance potencia"),
    ("on", "on run running betrieb state läuft runs"),
    ("setpoint", "setpoint sp sollwert soll set"),
    ("current", "amps amp current strom ampere"),
    ("level", "level lvl füllstand niveau pegel"),
    ("sump", "sump condensate kondensat receiver"),
    (
        "ambient",
        "ambient umgebung umgebungs room raum air luft aussen",
    ),
    (
        "baro",
        "baro barometer barometric atmospheric atmosphere luftdruck",
    ),
    (
        "hours",
        "hours hourmeter runhours stunden betriebsstunden hrs \
         timer driftstimer heures horas",
    ),
    (
        "total",
        "total totalizer totaliser totalized summe zähler counter",
    ),
    (
        "alarm",
        "alarm alarms fault faults störung stoerung fehler warning meldung störmeldung \
         alarme alarma",
    ),
    (
        "sample",
        "sample smp proben probennummer probennr muster \
         prøve prøvenr prøvenummer provnr échantillon echantillon muestra",
    ),
    (
        "taken",
        "taken drawn sampled entnahme probenahme entnommen collected \
         prélèvement prelevement toma uttatt tatt",
    ),
    (
        "report",
        "report bericht berichtsnummer certificate zertifikat labno prüfbericht \
         rapport rapportnr informe",
    ),
    (
        "reported",
        "reported issued berichtsdatum released freigabe",
    ),
    (
        "lab",
        "lab laboratory labor \
         laboratorium laboratoire laboratorio",
    ),
    ("point", "point where position entnahmestelle stelle"),
    ("kf", "kf fischer"),
    (
        "cleanliness",
        "4406 iso4406 cleanliness clean reinheit reinheitsklasse iso4406code",
    ),
    (
        "viscosity",
        "viscosity visc viskosität viskositaet visk \
         viskositet viscosité viscosidad",
    ),
    ("kv40", "v40 kv40 visc40 ny40"),
    ("kv100", "kv100 v100 visc100"),
    ("40", "40 40c"),
    ("100", "100 100c"),
    (
        "acid",
        "tan acid acidity neutralisation neutralization nz säurezahl an \
         syretall acidité acidez",
    ),
    (
        "breakdown",
        "breakdown bdv durchschlagspannung durchschlag durchschlags dielectric",
    ),
    (
        "analyte",
        "test analyte parameter property element prüfung kenngröße determination \
         messgröße",
    ),
    ("result", "result ergebnis messwert befund"),
    ("value", "value val wert reading pv"),
    ("uom", "einheit uom units eu"),
    ("method", "method methode norm standard verfahren"),
    ("detection", "detection lod nachweis"),
    ("qualifier", "qualifier censor sign"),
    ("limit", "limit max maximum grenzwert grenze nachweisgrenze"),
    ("class", "class klasse size baugröße grösse"),
    ("rated", "rated nameplate nominal nenn design"),
    ("type", "type kind typ art"),
    (
        "volume",
        "volume volumen gallons gallon litres liters litre capacity inhalt menge \
         füllmenge qty quantity",
    ),
    ("service", "service application use verwendung einsatz duty"),
    (
        "commissioned",
        "commissioned installed inbetriebnahme baujahr",
    ),
    ("home", "home base heimat depot"),
    (
        "site",
        "site place location plant standort ort werk station",
    ),
    ("family", "family families familie"),
    ("insulating", "insulating isolieröltauglich"),
    ("suited", "suited suitable tauglich geeignet"),
    ("name", "name bezeichnung title"),
    ("id", "id no nr number nummer key ref kennzeichen"),
    ("code", "code kürzel ereigniscode"),
    ("event", "event ereignis"),
    ("altitude", "altitude elevation height höhe masl alt"),
    ("timezone", "timezone tz zeitzone zone"),
    ("product", "product produkt brand sorte ölsorte"),
    ("vg", "vg isovg"),
    ("density", "density rho15 rho dichte"),
    ("a", "a"),
    ("b", "b"),
    ("solubility", "solubility löslichkeit"),
    ("flash", "flash flammpunkt flashpoint"),
    ("basis", "basis grundlage"),
    ("coldest", "coldest kältest tmin"),
    ("hottest", "hottest tmax"),
    ("min", "min minimum"),
    (
        "criticality",
        "criticality weight priority kritikalität gewicht",
    ),
    ("paper", "paper papier"),
    ("energised", "live energised energized spannung"),
    ("pcb", "pcb pcbs"),
    ("breather", "breather atmer luftentfeuchter"),
    ("from", "from start begin von ab started beginn"),
    ("to", "to end until bis till ended ende"),
    (
        "action",
        "action what work task job tätigkeit arbeit massnahme maßnahme was",
    ),
    (
        "note",
        "note notes remark remarks comment comments bemerkung bemerkungen kommentar",
    ),
    ("text", "text message description beschreibung klartext"),
    (
        "tag",
        "tag tagname signal variable channel kanal messstelle item pointname",
    ),
    ("quality", "quality qualität status flag qual"),
];
