use super::*;

type Edit = fn(&mut Procedure);

/// The edit's faults as `step.field`, step 0 for the whole.
#[track_caller]
fn check(edit: Edit, expected: &[&str]) {
    let mut procedure = replacement();
    edit(&mut procedure);
    let faults = procedure.check().err().unwrap_or_default();
    let found: Vec<_> = faults.iter().map(|fault| format!("{}.{}", fault.step.unwrap_or(0), fault.field)).collect();
    assert_eq!(found, expected, "{faults:?}");
}

fn at(procedure: &mut Procedure, number: u32) -> &mut Step {
    procedure.steps.iter_mut().find(|step| step.number == number).unwrap()
}

fn without(procedure: &mut Procedure, role: Role) {
    procedure.steps.retain(|step| step.role != role);
    procedure.steps.iter_mut().zip(1..).for_each(|(step, number)| step.number = number);
}

#[test]
fn a_whole_procedure_passes() {
    check(|_| (), &[]);
}

#[test]
fn what_opens_comes_after_the_whole_lock_out() {
    check(
        |it| without(it, Role::Wait),
        &["7.role", "8.opens_high_voltage", "9.opens_high_voltage", "10.opens_high_voltage", "11.opens_high_voltage"],
    );
    check(
        |it| without(it, Role::Gloves),
        &[
            "5.role",
            "7.role",
            "8.opens_high_voltage",
            "9.opens_high_voltage",
            "10.opens_high_voltage",
            "11.opens_high_voltage",
        ],
    );
    check(|it| at(it, 5).opens_high_voltage = true, &["5.opens_high_voltage", "5.needs.gear"]);
    let swap: Edit = |it| {
        (at(it, 4).role, at(it, 5).role) = (Role::GroundOff, Role::KeyOut);
        at(it, 5).records = vec![record("kept_by", Ask::Name, true)];
    };
    check(swap, &["5.role"]);
}

#[test]
fn what_was_opened_is_closed_and_read() {
    check(|it| without(it, Role::PlugIn), &["12.role"]);
    check(|it| without(it, Role::Codes), &["13.role"]);
    check(|it| it.steps.swap(12, 13), &["14.number", "13.number", "13.role"]);
    let reopened: Edit = |it| it.steps.push(step(15, Role::Plain, true, Vec::new()));
    check(reopened, &["15.opens_high_voltage", "15.role"]);
}

#[test]
fn a_second_lock_out_may_follow_the_first() {
    let twice: Edit = |it| {
        let again: Vec<_> = it.steps.iter().cloned().zip(15..).map(|(step, number)| Step { number, ..step }).collect();
        it.steps.extend(again);
    };
    check(twice, &[]);
}

#[test]
fn the_kind_of_job_has_its_steps() {
    let closed: Edit = |it| {
        it.steps.retain(|step| !step.opens_high_voltage);
        it.steps.iter_mut().zip(1..).for_each(|(step, number)| step.number = number);
    };
    check(closed, &["0.steps", "0.steps", "0.steps"]);
    check(|it| at(it, 11).role = Role::Plain, &["0.steps"]);
    check(|it| it.kind = Kind::PackAssessment, &["0.steps"]);
    check(|it| it.kind = Kind::CoolingCheck, &["0.steps"]);
    check(|it| it.kind = Kind::FanService, &[]);
}

#[test]
fn records_have_the_words_units_and_limits_the_gates_need() {
    let word: Edit = |it| at(it, 2).records = vec![choice("air_test", "fine", "failed")];
    check(word, &["2.records.air_test"]);
    let either: Edit = |it| {
        let Ask::Choice { options, pass } = &mut at(it, 13).records[0].ask else { return };
        *pass = options.clone();
    };
    check(either, &["13.records.latch"]);
    check(|it| at(it, 6).records.clear(), &["6.records.kept_by"]);
    check(|it| at(it, 8).records.retain(|record| record.ask != Ask::Residual), &["8.records"]);
    check(|it| at(it, 8).records[1].required = false, &["8.records.across_v"]);
    check(|it| at(it, 10).records[0].required = true, &["10.records.lifting_aid"]);
    check(|it| at(it, 14).records.clear(), &["14.records.codes"]);
    let number = |unit: &str, low, high| Ask::Number { unit: unit.into(), low, high };
    for wrong in
        [number("", 0.0, 1.0), number("V", 1.0, 1.0), number("V", f64::NAN, 1.0), number("V", 0.0, f64::INFINITY)]
    {
        let mut procedure = replacement();
        at(&mut procedure, 11).records[0].ask = wrong;
        assert_eq!(procedure.check().unwrap_err()[0].field, "records.speed");
    }
    check(|it| at(it, 9).records[0].name = "Photo 1".into(), &["9.records.Photo 1"]);
    check(|it| at(it, 9).records.push(record("photo", Ask::Text, false)), &["9.records.photo"]);
}

#[test]
fn steps_name_certificate_gloves_and_people() {
    check(|it| at(it, 9).needs.certificate = None, &["9.needs.certificate"]);
    check(|it| at(it, 1).needs.certificate = Some(String::new()), &["1.needs.certificate"]);
    check(|it| at(it, 6).needs.gear.clear(), &["6.needs.gear"]);
    check(|it| at(it, 10).needs.people = 1, &["10.needs.people"]);
    check(|it| at(it, 5).needs.people = 0, &["5.needs.people"]);
    check(|it| at(it, 10).opens_high_voltage = false, &["10.opens_high_voltage"]);
    check(|it| it.cautions = vec![" ".into()], &["0.cautions"]);
    check(|it| (it.version, it.title) = (0, String::new()), &["0.title", "0.version"]);
    check(|it| it.steps.clear(), &["0.steps", "0.steps", "0.steps", "0.steps"]);
}
