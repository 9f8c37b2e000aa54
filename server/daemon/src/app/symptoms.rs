//! What drivers report of a car.

use ventmile_model::fleet::Kind;

/// The symptom on which a car is stopped.
pub const HEAT: &str = "smell-or-heat";

/// What a driver does who smells or feels it: common practice, no published source.
pub const SMELL_OR_HEAT: &str = "stop the car, passengers out, do not restart; keep away from the pack and call";

/// What drivers report and the job it calls for.
pub const SYMPTOMS: [(&str, Option<Kind>); 6] = [
    ("fan-noise", Some(Kind::CoolingCheck)),
    ("weak-airflow", Some(Kind::CoolingCheck)),
    ("warning-light", Some(Kind::PackAssessment)),
    ("loss-of-power", Some(Kind::PackAssessment)),
    (HEAT, Some(Kind::PackAssessment)),
    ("other", None),
];
