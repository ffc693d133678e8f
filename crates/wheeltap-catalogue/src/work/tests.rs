use super::*;
use wheeltap_model::PointName;

const CLASSES: &str = "[[class]]\nname = \"Marten\"\nfuel_capacity = \"18000 L\"\n\
                       [[class]]\nname = \"Stoat\"\n";
const POINT: &str = "[[point]]\nname = \"Burbot Yard\"\n\
    crew = [{ craft = \"machinist\", side = \"above\" }, { craft = \"laborer\", side = \"below\", crews = 2 }]\n";

fn catalogue() -> Catalogue {
    Catalogue::with_files(&[("c.toml".to_owned(), CLASSES.to_owned())]).unwrap()
}

fn read(text: &str) -> Result<WorkSettings, Vec<CatalogueProblem>> {
    read_work(&[("work.toml".to_owned(), text.to_owned())], &catalogue())
}

fn class(name: &str) -> ClassName {
    ClassName::new(name).unwrap()
}

// 49 CFR 229.21, 229.23, 229.27, 229.29, 229.31 as in check-values section 2; 229.33 (30 days) and 229.29 from
// memory.
#[test]
fn the_built_in_settings_are_those_of_the_regulation() {
    let work = read_work(&[], &Catalogue::builtin()).unwrap();
    let days: Vec<(&str, u32)> = work
        .inspections
        .iter()
        .map(|one| (one.name.as_str(), one.every_days))
        .collect();
    assert_eq!(
        days,
        [
            ("daily", 1),
            ("periodic", 92),
            ("annual", 368),
            ("biennial", 736),
            ("main reservoir", 736)
        ]
    );
    assert!(
        work.inspections
            .iter()
            .all(|one| one.source.contains("49 CFR 229."))
    );
    assert!(
        work.inspections
            .iter()
            .all(|one| one.credits_out_of_use == (one.name != "daily"))
    );
    assert_eq!(
        (work.credit_least_days, work.out_of_use),
        (30, vec![UnitState::Stored])
    );
    let fills: Vec<&str> = work.fills.iter().map(|fill| fill.name.as_str()).collect();
    assert_eq!(fills, ["fuel", "sand", "oil", "water"]);
    assert!(work.points.is_empty(), "points are the railway's own");
    // Where units send other channels there is nothing to fill, and that is no mistake of the file.
    let other = Catalogue::from_parts(Vec::new(), Vec::new());
    assert!(read_work(&[], &other).unwrap().fills.is_empty());
}

#[test]
fn a_file_goes_over_what_is_built_in() {
    let text = format!(
        "next_stop = \"12 h\"\nutc_offset = \"-06:00\"\nout_of_use = [\"stored\", \"in_shop\"]\n{POINT}\
         stop = \"45 min\"\nlockout = \"5 min\"\nfills = [\"fuel\"]\n\
         [[job]]\ncomponent = \"oil cooler\"\ncraft = \"machinist\"\nside = \"above\"\nminutes = 35\npart = \"bundle\"\n\
         [[job]]\ncomponent = \"oil cooler\"\nclass = \"Stoat\"\ncaution = \"Hot.\"\n\
         step = [{{ craft = \"machinist\", side = \"above\", minutes = 20 }}, \
                 {{ craft = \"machinist\", side = \"above\", minutes = 5, alone = true }}]\n\
         [[fill]]\nname = \"fuel\"\nuse = \"4 L/min\"\ncraft = \"laborer\"\nside = \"below\"\nminutes = 20\n\
         [[fill]]\nname = \"fuel\"\nclass = \"Stoat\"\nfull = \"2000 [gal_us]\"\n\
         [[inspection]]\nname = \"daily\"\ncraft = \"machinist\"\nside = \"above\"\nminutes = 15\n\
         [[inspection]]\nname = \"periodic\"\nclass = \"Marten\"\nevery_days = 184\nsource = \"49 CFR 229.23(b)(1)\"\n"
    );
    let work = read(&text).unwrap();
    let yard = work.point(&PointName::new("Burbot Yard").unwrap()).unwrap();
    assert_eq!((yard.stop_ms, yard.lockout_minutes), (2_700_000, 5));
    assert_eq!(yard.crews[1].crews, 2);
    assert_eq!(
        (work.next_stop_ms, work.utc_offset_s),
        (43_200_000, -21_600)
    );
    assert_eq!(work.out_of_use, [UnitState::Stored, UnitState::InShop]);
    let job = |of: &str| work.job("oil cooler", &class(of)).unwrap();
    assert_eq!(job("Marten").part.as_deref(), Some("bundle"));
    assert_eq!(
        (job("Stoat").steps.len(), job("Stoat").steps[1].alone),
        (2, true)
    );
    assert_eq!(work.job("whistle", &class("Stoat")), None);
    // What a file does not say of a fill or an inspection is what was said before.
    let fuel = |of: &str| work.fills_of(&class(of))[0].clone();
    assert_eq!(fuel("Marten").level.as_str(), "fuel.level");
    assert!((fuel("Marten").use_per_h.unwrap() - 240.0).abs() < 1e-9);
    assert!((fuel("Marten").keep - 0.15).abs() < 1e-9);
    assert!((fuel("Stoat").full.unwrap() - 7_570.823_568).abs() < 1e-6);
    assert!((fuel("Stoat").use_per_h.unwrap() - 240.0).abs() < 1e-9);
    let daily = work.inspections_of(&class("Stoat"))[0].clone();
    assert_eq!(
        (
            daily.every_days,
            daily.steps.len(),
            daily.credits_out_of_use
        ),
        (1, 1, false)
    );
    assert!(daily.source.starts_with("49 CFR 229.21(a)"));
    let periodic = |of: &str| work.inspections_of(&class(of))[1].every_days;
    assert_eq!((periodic("Stoat"), periodic("Marten")), (92, 184));
    // A level's size is that of the class where the units are the same.
    let (_, def) = catalogue()
        .channel(&fuel("Marten").level)
        .map(|(id, def)| (id, def.clone()))
        .unwrap();
    assert_eq!(
        fuel("Marten").full_of(catalogue().class(&class("Marten")), &def),
        Some(18_000.0)
    );
    assert_eq!(work.fills_of(&class("Marten"))[0].full_of(None, &def), None);
}

#[track_caller]
fn refused(text: &str, expected: &[&str]) {
    let told: Vec<String> = read(text)
        .unwrap_err()
        .iter()
        .map(ToString::to_string)
        .collect();
    let whole = told.join("\n");
    assert_eq!(told.len(), expected.len(), "{whole}");
    for (told, expected) in told.iter().zip(expected) {
        assert!(
            told.starts_with(expected),
            "{told}\ndoes not start with\n{expected}"
        );
    }
}

#[test]
fn mistakes_have_their_place_and_the_mend() {
    refused("[[point]\n", &["work.toml:1:"]);
    refused(
        "[[point]]\nname = \"a/b\"\ncrew = []\nstops = 3\n",
        &[
            "work.toml:2:8: \"a/b\" is no service point; 1 to 64",
            "work.toml:4:1: [[point]] has no key `stops`; write `stop`",
        ],
    );
    refused(
        "[[point]]\nname = \"Yard\"\n",
        &["work.toml:1:1: [[point]] has no `crew`; add crew = [{ craft"],
    );
    refused(
        &format!("{POINT}fills = [\"feul\"]\n"),
        &[
            "work.toml:4:10: nothing is called \"feul\" among what is filled; write one of fuel, sand",
        ],
    );
    refused(
        "[[job]]\ncomponent = \"pump\"\n",
        &["work.toml:1:1: [[job]] has no `craft` and no `step`; add craft"],
    );
    refused(
        "[[job]]\ncomponent = \"pump\"\ncraft = \"machinist\"\nside = \"under\"\nminutes = 0\n",
        &[
            "work.toml:4:8: `side` is \"under\"; write \"above\"",
            "work.toml:5:11: `minutes` is not a whole number from 1",
        ],
    );
    refused(
        "[[job]]\ncomponent = \"pump\"\ncraft = \"machinist\"\nside = \"above\"\nminutes = 5\n\
         step = [{ craft = \"machinist\", side = \"above\" }]\n",
        &[
            "work.toml:3:9: `craft` stands beside `step`; say it in each",
            "work.toml:4:8: `side` stands",
            "work.toml:5:11: `minutes` stands",
            "work.toml:6:9: [[job.step]] has no `minutes`; add",
        ],
    );
    // A craft that works nowhere, or on another side only.
    refused(
        &format!(
            "{POINT}[[job]]\ncomponent = \"pump\"\ncraft = \"machinst\"\nside = \"above\"\nminutes = 5\n\
             [[job]]\ncomponent = \"fan\"\ncraft = \"machinist\"\nside = \"below\"\nminutes = 5\n\
             [[job]]\ncomponent = \"belt\"\ncraft = \"tinsmith\"\nside = \"below\"\nminutes = 5\n"
        ),
        &[
            "work.toml:6:9: no machinst works above at any service point; write \"machinist\", or add",
            "work.toml:11:9: no machinist works below at any service point; they work above only",
            "work.toml:16:9: no tinsmith works below at any service point; correct it, or add",
        ],
    );
    refused(
        "[[job]]\ncomponent = \"pump\"\nclass = \"Weasel\"\ncraft = \"a\"\nside = \"above\"\nminutes = 5\n",
        &["work.toml:3:9: no catalogue file has a class \"Weasel\"; write one of Marten, Stoat"],
    );
    refused(
        "[[fill]]\nname = \"grease\"\nlevel = \"grease.level\"\nkeep = 2\nfull = \"3 L\"\n",
        &[
            "work.toml:3:9: grease.level is not a channel that units send; name one",
            "work.toml:4:8: `keep` is not a share from 0 to 1; write",
        ],
    );
    refused(
        "[[fill]]\nname = \"fuel\"\nfull = \"3 kg\"\nuse = \"3 L\"\n",
        &[
            "work.toml:3:8: `full`: \"3 kg\" is no amount above zero that converts to L; write",
            "work.toml:4:7: `use`: \"3 L\" is no amount above zero that converts to L/h; write",
        ],
    );
    refused(
        "[[inspection]]\nname = \"periodic\"\nevery_days = 60\n[[inspection]]\nname = \"odd\"\nevery_days = 1.5\n",
        &[
            "work.toml:1:1: [[inspection]] has no `source`; add",
            "work.toml:4:1: [[inspection]] has no `source`; add",
            "work.toml:6:14: `every_days` is not a whole number",
        ],
    );
    refused(
        "next_stop = \"soon\"\nutc_offset = \"6\"\nout_of_use = [\"idle\"]\nnextstop = 1\n",
        &[
            "work.toml:1:13: `next_stop` = \"soon\" is no span; write",
            "work.toml:2:14: `utc_offset` = \"6\" is no offset; write",
            "work.toml:3:15: \"idle\" is no state of a unit; write some of unknown, working",
            "work.toml:4:1: a work file has no key `nextstop`; write `next_stop`",
        ],
    );
}

#[test]
fn what_wears_must_come_to_its_limit() {
    let wear = |more: &str| {
        format!("[[wear]]\nname = \"shoes\"\nnew = 50\nlimit = 15\nsource = \"s\"\n{more}")
    };
    let work = read(&wear("ucum = \"mm\"\nrate = -1.4\nper = \"d\"\n")).unwrap();
    let shoes = &work.wears[0];
    assert_eq!(
        shoes.by,
        WearBy::Rate {
            rate: -1.4,
            per: WearBasis::Day
        }
    );
    let by_channel = read(&wear("channel = \"engine.air_filter.pressure_drop\"\n")).unwrap();
    assert_eq!(by_channel.wears[0].ucum, "kPa");
    refused(
        &wear("ucum = \"mm\"\nrate = 1.4\nper = \"week\"\n"),
        &[
            "work.toml:7:8: at this rate it never gets from 50 to 15; turn its sign",
            "work.toml:8:7: `per` is \"week\"; write \"d\"",
        ],
    );
    refused(
        &wear("channel = \"engine.air_filter.pressure_drop\"\nrate = -1\n"),
        &["work.toml:7:8: `rate` stands beside `channel`; leave it out"],
    );
    refused(
        "[[wear]]\nname = \"shoes\"\nnew = 5\nlimit = 5\nsource = \"s\"\nucum = \"inch\"\nrate = 1\nper = \"d\"\n",
        &[
            "work.toml:4:9: `limit` is what it is when new; say",
            "work.toml:6:8: \"inch\" is no UCUM unit; ",
        ],
    );
}

#[test]
fn an_item_is_said_once_a_file() {
    let job =
        "[[job]]\ncomponent = \"pump\"\ncraft = \"machinist\"\nside = \"above\"\nminutes = 5\n";
    refused(
        &format!("{job}{job}{POINT}{POINT}"),
        &[
            "work.toml:6:1: the job for pump is described twice",
            "work.toml:14:1: service point Burbot Yard is described twice",
        ],
    );
    // A later file may.
    let files = [
        ("a.toml".to_owned(), job.to_owned()),
        ("b.toml".to_owned(), job.replace('5', "7")),
    ];
    assert_eq!(
        read_work(&files, &catalogue()).unwrap().jobs[0].steps[0].minutes,
        7
    );
}
