use super::*;
use crate::{Catalogue, CsvMap};
use proptest::prelude::*;
use std::io::Write;

const TIME: &str = "[time]\ncolumn = \"t\"\ncounts = \"s\"\n";
const UNIT: &str = "[unit]\nname = \"ZVR 4117\"\n";
const OIL: &str = "[[channel]]\ncolumn = \"oil\"\nname = \"engine.oil.temperature\"\n";
const NOTCH: &str = "[[channel]]\ncolumn = \"notch\"\nname = \"engine.notch\"\n";

fn bound(text: &str) -> BoundMap {
    CsvMap::parse("map.toml", text)
        .unwrap()
        .bind(&Catalogue::builtin())
        .unwrap()
}

/// Unit, time and channel-value pairs of one row; the channel by its place in the map.
type Row = (String, i64, Vec<(usize, f64, Quality)>);

fn read_named(
    map: &BoundMap,
    file: &str,
    bytes: &[u8],
) -> (Vec<Row>, Result<ReadSummary, CsvProblem>) {
    let ids: Vec<ChannelId> = map.channels().collect();
    let mut rows = Vec::new();
    let result = map.read(file, bytes, &mut |row| {
        let samples = row.samples.iter().map(|(id, value, quality)| {
            (
                ids.iter().position(|own| own == id).unwrap(),
                *value,
                *quality,
            )
        });
        rows.push((row.unit.to_string(), row.time.unix_ms(), samples.collect()));
        ControlFlow::Continue(())
    });
    (rows, result)
}

fn read(map: &str, bytes: &[u8]) -> Vec<Row> {
    let (rows, result) = read_named(&bound(map), "run.csv", bytes);
    result.unwrap_or_else(|problem| panic!("{problem}"));
    rows
}

fn refused(map: &str, bytes: &[u8]) -> (Vec<Row>, CsvProblem) {
    let (rows, result) = read_named(&bound(map), "run.csv", bytes);
    (rows, result.expect_err("the file is bad"))
}

fn times(rows: &[Row]) -> Vec<i64> {
    rows.iter().map(|row| row.1).collect()
}

fn good(at: usize, value: f64) -> (usize, f64, Quality) {
    (at, value, Quality::Good)
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    packer.write_all(bytes).unwrap();
    packer.finish().unwrap()
}

#[test]
fn rows_become_samples_in_the_catalogues_unit() {
    let map = [TIME, UNIT, OIL, "ucum = \"[degF]\"\n", NOTCH].concat();
    let rows = read(&map, b"t,notch,other,oil\n0,8,x,212\n1.5,,y,-40\n");
    assert_eq!(
        rows,
        [
            ("ZVR 4117".to_owned(), 0, vec![good(0, 100.0), good(1, 8.0)]),
            ("ZVR 4117".to_owned(), 1_500, vec![good(0, -40.0)]),
        ]
    );
}

#[test]
fn values_out_of_range_are_kept_as_bad() {
    let (rows, summary) = read_named(
        &bound(&[TIME, UNIT, OIL].concat()),
        "run.csv",
        b"t,oil\n0,999\n1,90\n",
    );
    assert_eq!(rows[0].2, [(0, 999.0, Quality::Bad)]);
    let summary = summary.unwrap();
    assert_eq!(
        (summary.rows, summary.samples, summary.out_of_range),
        (2, 2, 1)
    );
}

#[test]
fn marks_and_mixed_line_ends_do_not_matter() {
    let map = [TIME, UNIT, OIL].concat();
    let plain = read(&map, b"t,oil\n0,1\n1,2\n2,3\n");
    assert_eq!(plain.len(), 3);
    for bytes in [
        &b"\xef\xbb\xbft,oil\n0,1\n1,2\n2,3\n"[..],
        b"t,oil\r\n0,1\r\n1,2\n2,3\r\n",
        b"t,oil\r0,1\r1,2\n2,3\r",
        b"t,oil\n0,1\r\n\r\n1,2\n\n2,3",
        b" t , oil \n 0 , 1 \n1,2\n2,3\n",
        b"\"t\",\"oil\"\n\"0\",\"1\"\n1,\"2\"\n2,3\n",
        b"t,oil,\"a \"\"b\"\", c\"\n0,1,\n1,2,\"x\ny\"\n2,3,\n",
    ] {
        assert_eq!(
            read(&map, bytes),
            plain,
            "{}",
            String::from_utf8_lossy(bytes)
        );
        assert_eq!(read(&map, &gzip(bytes)), plain, "the same, compressed");
    }
    let two_members = [gzip(b"t,oil\n0,1\n"), gzip(b"1,2\n2,3\n")].concat();
    assert_eq!(read(&map, &two_members), plain);
}

#[test]
fn columns_can_be_found_by_place_and_by_other_names() {
    let map = format!(
        "{TIME}{UNIT}[[channel]]\ncolumn = [\"Oil\", \"oil\"]\nname = \"engine.oil.temperature\"\n\
                       [[channel]]\nposition = 3\nname = \"engine.notch\"\n"
    );
    let rows = read(&map, b"t,oil,\xff\xfe\n5,80,3\n");
    assert_eq!(rows[0].2, [good(0, 80.0), good(1, 3.0)]);
    let map = format!(
        "[csv]\nheader = false\n[time]\nposition = 1\ncounts = \"s\"\n{UNIT}[[channel]]\nposition = 2\n\
                       name = \"engine.oil.temperature\"\n"
    );
    assert_eq!(read(&map, b"5,80\n6,81\n")[1].2, [good(0, 81.0)]);
}

#[test]
fn a_file_may_lack_optional_columns() {
    let map = format!("{TIME}{UNIT}{OIL}optional = true\n{NOTCH}optional = true\n");
    assert_eq!(read(&map, b"t,oil\n0,80\n")[0].2, [good(0, 80.0)]);
    assert_eq!(read(&map, b"t,notch\n0,8\n")[0].2, [good(1, 8.0)]);
    let (_, problem) = refused(&map, b"t,air\n0,8\n");
    assert!(
        problem.what.contains("none of the map's columns"),
        "{problem}"
    );
    let (_, problem) = refused(&map, b"t,oil,oil\n0,8,8\n");
    assert!(problem.what.contains("twice"), "{problem}");
}

#[test]
fn without_a_header_the_first_row_says_how_many_columns_there_are() {
    let map = "[csv]\nheader = false\n[time]\nposition = 1\ncounts = \"s\"\n[unit]\nposition = 9\n\
               [[channel]]\nposition = 2\nname = \"engine.oil.temperature\"\n";
    let (_, problem) = refused(map, b"5,80\n");
    assert!(
        problem.what.contains("no column 9: there are 2"),
        "{problem}"
    );
    assert_eq!(problem.line, 1);
}

#[test]
fn lines_before_and_after_the_header_are_skipped_and_counted() {
    let map = |csv: &str| [csv, TIME, UNIT, OIL].concat();
    let skips = map("[csv]\nskip_before = 3\nskip_after = 1\n");
    for end in ["\n", "\r\n", "\r"] {
        let lines = [
            "Logger \"7",
            "a,b,c,d",
            "",
            "t,oil",
            "s,Cel",
            "0,40",
            "1,41",
            "",
        ];
        let rows = read(&skips, lines.join(end).as_bytes());
        assert_eq!(times(&rows), [0, 1_000]);
        let lines = ["x", "", "x", "t,oil", "s,Cel", "0,40", "1,warm", ""];
        let (_, problem) = refused(&skips, lines.join(end).as_bytes());
        assert_eq!((problem.line, problem.column), (7, 2), "{problem}");
    }
    // Lines as one sees them: blank ones, one with a quote that nobody closes, two that are one record.
    let after = |csv: &str, before: &str| {
        let (rows, problem) = refused(&map(csv), format!("{before}0,40\n1,warm\n").as_bytes());
        assert_eq!(rows.len(), 1, "{before}: {problem}");
        assert_eq!(problem.line, 2 + before.matches('\n').count() as u64);
    };
    for skipped in [
        "s,Cel\n\nx\n",
        "\n\"\n\"x\"\"\n",
        "\"two\nlines\",\nx\n",
        "\n\n\n",
    ] {
        for header in ["t,oil\n", "\"t\",\"oil\"\n", "\n\nt,oil\n"] {
            after("[csv]\nskip_after = 3\n", &[header, skipped].concat());
        }
        let before = ["Logger \"\n\nt,oil\n", skipped].concat();
        after("[csv]\nskip_before = 2\nskip_after = 3\n", &before);
    }
    after("[csv]\nskip_after = 1\n", "\u{feff}\"t\",oil\n\"\n");
    // The header goes over two lines.
    let two = "t,oil,\"a \"\"b\"\"\nc\"\n\"\n0,40,\n";
    let rows = read(&map("[csv]\nskip_after = 1\n"), two.as_bytes());
    assert_eq!(times(&rows), [0]);
    let bare = "[csv]\nheader = false\nskip_before = 1\n[time]\nposition = 1\ncounts = \"s\"\n";
    let oil = "[[channel]]\nposition = 2\nname = \"engine.oil.temperature\"\n";
    let rows = read(&[bare, UNIT, oil].concat(), b"\"open\n0,40\n");
    assert_eq!(times(&rows), [0]);
}

#[test]
fn date_and_time_of_day_may_have_a_column_each() {
    let text = "text = \"%d.%m.%Y %H:%M\"\nzone = \"+01:00\"\n";
    for columns in ["columns = [\"day\", \"clock\"]\n", "positions = [3, 1]\n"] {
        let map = ["[time]\n", columns, text, UNIT, OIL].concat();
        let rows = read(&map, b"clock,oil,day\n01:00,40,02.01.1970\n");
        assert_eq!(times(&rows), [86_400_000]);
    }
}

#[test]
fn the_files_name_may_say_whose_it_is() {
    let map = bound(&[TIME, "[unit]\nname = \"rig {folder} {file}\"\n", OIL].concat());
    let unit = |file: &str| {
        let (rows, result) = read_named(&map, file, b"t,oil\n0,40\n");
        result.map(|_| rows[0].0.clone())
    };
    assert_eq!(unit("data/valve1/7.csv.gz").unwrap(), "rig valve1 7");
    assert_eq!(unit("valve1\\run.2.csv").unwrap(), "rig valve1 run.2");
    let said = unit("valve1/\u{fc}.csv").unwrap_err().to_string();
    assert!(
        said.contains("rename the file") && said.contains("rig valve1 \u{fc}"),
        "{said}"
    );
    for file in ["7.csv", "./7.csv", "../7.csv", "/7.csv"] {
        let said = unit(file).unwrap_err().to_string();
        assert!(
            said.contains("without the folder it lies in; give the file's path"),
            "{said}"
        );
    }
}

#[test]
fn files_that_are_of_one_unit_by_their_names_are_found() {
    let files = ["a/1203.csv", "b/1203.csv.gz", "b/1204.csv"].map(str::to_owned);
    let shared = |name: &str| {
        let map = bound(&[TIME, "[unit]\nname = \"", name, "\"\n", OIL].concat());
        map.shared_units(&files).map(|units| {
            units
                .into_iter()
                .map(|(unit, files)| format!("{unit}: {}", files.join(", ")))
                .collect::<Vec<_>>()
        })
    };
    assert_eq!(
        shared("{file}").unwrap(),
        ["1203: a/1203.csv, b/1203.csv.gz"]
    );
    assert_eq!(
        shared("{folder}").unwrap(),
        ["b: b/1203.csv.gz, b/1204.csv"]
    );
    assert_eq!(shared("{folder} {file}").unwrap(), [""; 0]);
    assert_eq!(shared("ZVR 1").unwrap(), [""; 0]);
}

#[test]
fn words_flags_and_missing_marks_are_understood() {
    let map = format!(
        "[csv]\nmissing = [\"NA\"]\n{TIME}{UNIT}{OIL}{NOTCH}words = {{ Idle = 0, Full = 8 }}\n\
                       [[channel]]\ncolumn = \"run\"\nname = \"engine.running\"\n"
    );
    let rows = read(
        &map,
        b"t,oil,notch,run\n0,NA,Idle,true\n1,NA,Full,FALSE\n2,1e1,5,\n",
    );
    let samples: Vec<_> = rows.into_iter().map(|row| row.2).collect();
    assert_eq!(samples[0], [good(1, 0.0), good(2, 1.0)]);
    assert_eq!(samples[1], [good(1, 8.0), good(2, 0.0)]);
    assert_eq!(samples[2], [good(0, 10.0), good(1, 5.0)]);
}

#[test]
fn decimal_commas_are_read_where_the_map_says_so() {
    let map = format!("[csv]\nseparator = \";\"\ndecimal = \",\"\n{TIME}{UNIT}{OIL}");
    let rows = read(&map, b"t;oil\n0,5;80,25\n");
    assert_eq!((rows[0].1, rows[0].2[0].1), (500, 80.25));
    let (_, problem) = refused(&map, b"t;oil\n0,5;1.080,25\n");
    assert!(problem.what.contains("no number"), "{problem}");
}

#[test]
fn several_units_share_a_file() {
    let map = format!("{TIME}[unit]\ncolumn = \"unit\"\nclass = \"Marten\"\n{OIL}");
    let rows = read(&map, b"unit,t,oil\nZVR 1,0,1\nZVR 2,0,2\n ZVR 1 ,1,3\n");
    let units: Vec<&str> = rows.iter().map(|row| row.0.as_str()).collect();
    assert_eq!(units, ["ZVR 1", "ZVR 2", "ZVR 1"]);
    let (before, problem) = refused(&map, b"unit,t,oil\nZVR 1,0,1\nZVR/2,0,2\n");
    assert_eq!((before.len(), problem.line, problem.column), (1, 3, 1));
    assert!(problem.what.contains("ZVR/2"), "{problem}");
}

#[test]
fn repeated_values_are_taken_on_change_and_now_and_then() {
    let map = format!("{TIME}[unit]\ncolumn = \"u\"\n{NOTCH}repeats = \"3 s\"\n{OIL}");
    let rows = read(
        &map,
        b"u,t,notch,oil\na,0,1,5\na,1,1,5\nb,1,1,5\na,2,2,5\na,3,2,5\na,4,2,5\na,5,2,5\na,4,2,5\na,6,1,5\n",
    );
    let taken: Vec<(&str, i64)> = rows
        .iter()
        .filter(|row| row.2.iter().any(|sample| sample.0 == 0))
        .map(|row| (row.0.as_str(), row.1 / 1_000))
        .collect();
    // At 5 three seconds have passed since 2; at 4 the clock stepped back, which starts afresh.
    assert_eq!(
        taken,
        [("a", 0), ("b", 1), ("a", 2), ("a", 5), ("a", 4), ("a", 6)]
    );
    assert!(
        rows.iter()
            .all(|row| row.2.iter().any(|sample| sample.0 == 1))
    );
}

#[test]
fn written_times_are_read() {
    let check = |time: &str, cell: &str, expected: &str| {
        let map = format!("[time]\ncolumn = \"t\"\n{time}{UNIT}{OIL}");
        let rows = read(&map, format!("t,oil\n\"{cell}\",1\n").as_bytes());
        let shown = EventTime::from_unix_ms(rows[0].1).to_string();
        assert_eq!(shown, expected, "{time} {cell}");
    };
    // RFC 3339 section 5.8 examples, from memory (check-values section 9).
    check(
        "text = \"rfc3339\"\n",
        "1985-04-12T23:20:50.52Z",
        "1985-04-12T23:20:50.520Z",
    );
    check(
        "text = \"rfc3339\"\n",
        "1996-12-19T16:39:57-08:00",
        "1996-12-20T00:39:57Z",
    );
    check(
        "text = \"rfc3339\"\nzone = \"-08:00\"\n",
        "1996-12-19 16:39:57",
        "1996-12-20T00:39:57Z",
    );
    check(
        "text = \"%Y-%m-%d %H:%M:%S\"\nzone = \"+00:00\"\n",
        "2020-02-01 00:00:19",
        "2020-02-01T00:00:19Z",
    );
    check(
        "text = \"%Y-%m-%d %H:%M:%S%.f\"\nzone = \"+05:30\"\n",
        "2020-02-01 05:30:00.1239",
        "2020-02-01T00:00:00.123Z",
    );
    check(
        "text = \"%d.%m.%Y\"\nzone = \"Z\"\n",
        "29.02.2020",
        "2020-02-29T00:00:00Z",
    );
    check(
        "text = \"%Y-%m-%dT%H:%M:%S%z\"\n",
        "2020-02-01T01:00:00+0100",
        "2020-02-01T00:00:00Z",
    );
    check(
        "counts = \"ms\"\nfrom = \"2026-01-01T00:00:00Z\"\n",
        "1",
        "2026-01-01T00:00:00.001Z",
    );
    check("counts = \"d\"\n", "18262.5", "2020-01-01T12:00:00Z");
    check("counts = \"s\"\n", "-0.0006", "1969-12-31T23:59:59.999Z");
}

// RFC 3339 section 5.6 has offsets under a day.
#[test]
fn an_offset_of_a_day_or_more_is_no_time() {
    for (text, cell) in [
        ("rfc3339", "2020-02-01T01:00:00+25:00"),
        ("%Y-%m-%dT%H:%M:%S%z", "2020-02-01T01:00:00+2500"),
    ] {
        let map = format!("[time]\ncolumn = \"t\"\ntext = \"{text}\"\n{UNIT}{OIL}");
        let rows = format!("t,oil\n{cell},1\n");
        let (_, result) = read_named(&bound(&map), "trip.csv", rows.as_bytes());
        let said = result.unwrap_err().to_string();
        assert!(
            said.contains("trip.csv:2") && said.contains("+25"),
            "{said}"
        );
    }
}

#[test]
fn a_time_of_day_takes_its_date_from_the_file() {
    let map = format!(
        "[time]\ncolumn = \"t\"\ntext = \"%H:%M:%S%.f\"\nzone = \"+00:00\"\ndate_from_file = true\n{UNIT}{OIL}"
    );
    let text =
        b"t,oil\n23:59:58.5,1\n23:59:59.75,1\n00:00:00,1\n23:59:59.9,1\n00:00:01,1\n11:30:00,1\n";
    let (rows, result) = read_named(&bound(&map), "some/2026-02-28_trip_a.csv", text);
    assert_eq!(result.unwrap().steps_back, 1);
    let shown: Vec<String> = times(&rows)
        .into_iter()
        .map(|ms| EventTime::from_unix_ms(ms).to_string())
        .collect();
    assert_eq!(
        shown,
        [
            "2026-02-28T23:59:58.500Z",
            "2026-02-28T23:59:59.750Z",
            "2026-03-01T00:00:00Z",
            "2026-02-28T23:59:59.900Z",
            "2026-03-01T00:00:01Z",
            "2026-03-01T11:30:00Z",
        ]
    );
    let (_, result) = read_named(&bound(&map), "2026-13-45/trip.csv", text);
    assert!(result.unwrap_err().to_string().contains("no date"));
}

#[test]
fn times_that_step_back_are_passed_on() {
    let (rows, result) = read_named(
        &bound(&[TIME, UNIT, OIL].concat()),
        "run.csv",
        b"t,oil\n5,1\n3,2\n4,3\n3,9\n",
    );
    assert_eq!(times(&rows), [5_000, 3_000, 4_000, 3_000]);
    let summary = result.unwrap();
    assert_eq!(summary.steps_back, 2);
    assert_eq!(
        summary.span,
        Some((
            EventTime::from_unix_ms(3_000),
            EventTime::from_unix_ms(5_000)
        ))
    );
}

#[test]
fn the_receiver_can_stop() {
    let map = bound(&[TIME, UNIT, OIL].concat());
    let mut rows = 0;
    let summary = map
        .read("run.csv", &b"t,oil\n0,1\n1,1\nbad,bad\n"[..], &mut |_| {
            rows += 1;
            if rows == 2 {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        })
        .unwrap();
    assert!(summary.stopped);
    assert_eq!(summary.rows, 2);
}

#[test]
fn bad_files_are_refused_with_place_and_mend() {
    let check = |map: &str, bytes: &[u8], n_before: usize, line: u64, column: usize, said: &str| {
        let (before, problem) = refused(map, bytes);
        let shown = problem.to_string();
        assert_eq!((problem.line, problem.column), (line, column), "{shown}");
        assert!(
            shown.starts_with("run.csv") && shown.contains(said),
            "{shown}"
        );
        assert_eq!(before.len(), n_before, "{shown}");
    };
    let map = [TIME, UNIT, OIL].concat();
    check(&map, b"", 0, 0, 0, "empty");
    check(&map, b"t,oil\n", 0, 0, 0, "no rows");
    check(
        &map,
        b"t,air\n0,1\n",
        0,
        1,
        0,
        "there is no column \"oil\"; the header has \"t\", \"air\"",
    );
    check(&map, b"t;oil\n0;1\n", 0, 1, 0, "separator = \";\"");
    check(&map, b"t\toil\n0\t1\n", 0, 1, 0, "separator = \"\\t\"");
    check(&map, b"t,oil,oil\n0,1,2\n", 0, 1, 0, "twice");
    check(
        &map,
        b"t,oil\n0,1\n1,2x\n",
        1,
        3,
        2,
        "column \"oil\": \"2x\" is no number",
    );
    check(&map, b"t,oil\n0,1\r\n1,NaN\r\n", 1, 3, 2, "not finite");
    check(&map, b"t,oil\n0,-inf\n", 0, 2, 2, "not finite");
    check(&map, b"t,oil\n0,1e400\n", 0, 2, 2, "not finite");
    check(&map, b"t,oil\n0,1\nx,1\n", 1, 3, 1, "time \"x\"");
    check(&map, b"t,oil\n,1\n", 0, 2, 1, "time \"\"");
    check(&map, b"t,oil\nNaN,1\n", 0, 2, 1, "time \"NaN\"");
    check(&map, b"t,oil\n1e300,1\n", 0, 2, 1, "a number that fits");
    check(
        &map,
        b"t,oil\n0,1\n1\n",
        1,
        3,
        0,
        "1 cells, the header has 2",
    );
    check(&map, b"t,oil\n0,1\n1,80,5\n", 1, 3, 0, "3 cells");
    check(&map, b"t,oil\n0,\xff\n", 0, 2, 2, "is no number");
    check(&map, b"\xff\xfet\0,\0", 0, 0, 0, "UTF-16");
    let map = format!("{TIME}{UNIT}[[channel]]\nposition = 9\nname = \"engine.notch\"\n");
    check(&map, b"t,oil\n0,1\n", 0, 1, 0, "no column 9");
    let map =
        format!("[time]\ncolumn = \"t\"\ntext = \"%Y-%m-%d %H:%M:%S\"\nzone = \"Z\"\n{UNIT}{OIL}");
    check(
        &map,
        b"t,oil\n2020-02-01 00:00:00,1\n2020-02-30 00:00:00,1\n",
        1,
        3,
        1,
        "map's pattern",
    );
}

#[test]
fn a_half_written_gzip_is_told_from_a_damaged_one() {
    let map = [TIME, UNIT, OIL].concat();
    let mut text = b"t,oil\n".to_vec();
    for t in 0..20_000 {
        writeln!(text, "{t},{}", (t * 7_919) % 97).unwrap();
    }
    let whole = gzip(&text);
    assert_eq!(read(&map, &whole).len(), 20_000);
    let (before, problem) = refused(&map, &whole[..whole.len() / 2]);
    assert!(
        problem.to_string().contains("ends before its end mark"),
        "{problem}"
    );
    assert!(problem.source.is_some() && problem.line > 1);
    assert!(before.len() > 1_000, "what was whole is passed on");
    let (_, problem) = refused(&map, &whole[..whole.len() - 3]);
    assert!(
        problem.to_string().contains("ends before its end mark"),
        "{problem}"
    );
    let mut damaged = whole;
    let middle = damaged.len() / 2;
    damaged[middle] ^= 0xff;
    let (_, problem) = refused(&map, &damaged);
    assert!(!problem.mend.is_empty(), "{problem}");
}

#[test]
fn a_disk_that_fails_is_told() {
    struct Failing(bool);
    impl Read for Failing {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            if self.0 {
                return Err(io::Error::other("the disk is gone"));
            }
            self.0 = true;
            let text = b"t,oil\n0,1\n";
            into[..text.len()].copy_from_slice(text);
            Ok(text.len())
        }
    }
    let map = bound(&[TIME, UNIT, OIL].concat());
    let problem = map
        .read(
            "run.csv",
            Failing(false),
            &mut |_| ControlFlow::Continue(()),
        )
        .unwrap_err();
    assert!(problem.to_string().contains("cannot be read"), "{problem}");
    assert_eq!(problem.source.unwrap().to_string(), "the disk is gone");
}

#[test]
fn line_ends_split_between_reads_count_once() {
    struct ByteWise(&'static [u8]);
    impl Read for ByteWise {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            let (Some((first, rest)), Some(slot)) = (self.0.split_first(), into.first_mut()) else {
                return Ok(0);
            };
            *slot = *first;
            self.0 = rest;
            Ok(1)
        }
    }
    let mut text = String::new();
    let layout = bound(&[TIME, UNIT, OIL].concat()).layout;
    let mut reader = OneLineEnd::new(ByteWise(b"a\r\nb\rc\n\r\nd\r"), &layout);
    reader.read_to_string(&mut text).unwrap();
    assert_eq!(text, "a\nb\nc\n\nd\n");
}

proptest! {
    // The law: what is written is read again, whatever the quoting, line ends or compression.
    #[test]
    fn tables_are_read_back(
        cells in prop::collection::vec((0_i64..2_000_000_000_000, prop::option::of(-50.0_f64..150.0)), 1..40),
        crlf in prop::collection::vec(any::<bool>(), 40),
        quoted in any::<bool>(),
        packed in any::<bool>(),
        mark in any::<bool>(),
    ) {
        let mut text = if mark { "\u{feff}t,oil\n".to_owned() } else { "t,oil\n".to_owned() };
        for ((ms, oil), crlf) in cells.iter().zip(crlf) {
            let oil = oil.map_or_else(String::new, |oil| oil.to_string());
            let line = if quoted { format!("\"{ms}\",\"{oil}\"") } else { format!("{ms},{oil}") };
            text += &line;
            text += if crlf { "\r\n" } else { "\n" };
        }
        let bytes = if packed { gzip(text.as_bytes()) } else { text.into_bytes() };
        let map = format!("[time]\ncolumn = \"t\"\ncounts = \"ms\"\n{UNIT}{OIL}");
        let rows = read(&map, &bytes);
        prop_assert_eq!(rows.len(), cells.len());
        for (row, (ms, oil)) in rows.iter().zip(cells) {
            prop_assert_eq!(row.1, ms);
            prop_assert_eq!(row.2.first().map(|sample| sample.1.to_bits()), oil.map(f64::to_bits));
        }
    }

    // The law: no bytes make the reader panic.
    #[test]
    fn any_bytes_are_read_or_refused(parts in prop::collection::vec(prop::sample::select(vec![
        &b"t,oil\n"[..], b"0,1\n", b"\"", b"\r", b"\xff", b",", b"\x1f\x8b\x08", b"1e999,1\n", b"\xef\xbb\xbf", b"-5,-0\n",
    ]), 0..12)) {
        let (_, result) = read_named(&bound(&[TIME, UNIT, OIL].concat()), "run.csv", &parts.concat());
        if let Err(problem) = result {
            prop_assert!(!problem.mend.is_empty());
        }
    }
}

const SLIP: &str = "[[event]]\nname = \"wheel.slip\"\n";
const FIELDS: &str = "[event.fields]\naxle = { column = \"axle\" }\n\
                      duration = { column = \"ms\", ucum = \"ms\", optional = true }\n";

type Happened = (i64, Vec<Option<f64>>);

fn events(map: &str, bytes: &[u8]) -> (Vec<Happened>, Result<ReadSummary, CsvProblem>) {
    let mut all = Vec::new();
    let result = bound(map).read("run.csv", bytes, &mut |row| {
        for (_, fields) in row.events {
            all.push((row.time.unix_ms() / 1_000, fields.clone()));
        }
        ControlFlow::Continue(())
    });
    (all, result)
}

#[test]
fn rows_that_a_column_marks_are_events_with_fields() {
    let is = "column = \"what\"\nis = [\"slip\", \"SLIP\"]\n";
    let map = [TIME, UNIT, OIL, SLIP, is, FIELDS].concat();
    let bytes = b"t,oil,what,axle,ms\n0,80,,,\n1,81,slip,4,1500\n2,82,other,1,1\n3,,SLIP,2,\n";
    let (found, summary) = events(&map, bytes);
    // Axle, duration in seconds, and the peak creep that no column gives.
    assert_eq!(
        found,
        [
            (1, vec![Some(4.0), Some(1.5), None]),
            (3, vec![Some(2.0), None, None]),
        ]
    );
    let summary = summary.unwrap();
    assert_eq!((summary.rows, summary.samples, summary.events), (4, 3, 2));
    // A file without the optional column.
    let (found, _) = events(&map, b"t,oil,what,axle\n0,80,slip,4\n");
    assert_eq!(found, [(0, vec![Some(4.0), None, None])]);
}

#[test]
fn a_flag_that_stays_on_is_one_event() {
    let column = "column = \"slips\"\nonset = true\noptional = true\n";
    let map = [TIME, "[unit]\ncolumn = \"u\"\n", OIL, SLIP, column].concat();
    let bytes =
        b"t,u,oil,slips\n0,a,1,0\n1,a,1,1\n2,b,1,1\n3,a,1,1\n4,a,1,false\n5,a,1,yes\n6,a,1,\n";
    let times = |bytes| {
        events(&map, bytes)
            .0
            .into_iter()
            .map(|(at, _)| at)
            .collect::<Vec<_>>()
    };
    assert_eq!(times(bytes), [1, 2, 5]);
    assert_eq!(times(b"t,u,oil\n0,a,1\n"), [] as [i64; 0]);
}

#[test]
fn every_row_of_a_log_of_events_is_one() {
    let map = [TIME, UNIT, SLIP, FIELDS].concat();
    let (found, summary) = events(&map, b"t,axle\n10,1\n20,3\n");
    assert_eq!(
        found.iter().map(|(at, _)| *at).collect::<Vec<_>>(),
        [10, 20]
    );
    assert_eq!(summary.unwrap().samples, 0);
}

#[test]
fn bad_event_cells_are_refused_by_place() {
    let map = [TIME, UNIT, SLIP, FIELDS].concat();
    let (found, result) = events(&map, b"t,axle,ms\n10,1,5\n20,front,6\n");
    assert_eq!(found.len(), 1, "what came before was passed on");
    let problem = result.unwrap_err();
    assert_eq!((problem.line, problem.column), (3, 2));
    assert!(
        problem
            .what
            .contains("column \"axle\": \"front\" is no number"),
        "{problem}"
    );
    let problem = events(&map, b"t,ms\n10,1\n").1.unwrap_err();
    assert!(
        problem.to_string().contains("no column \"axle\""),
        "{problem}"
    );
    let flagged = [TIME, UNIT, SLIP, "column = \"what\"\n"].concat();
    let problem = events(&flagged, b"t,ms\n10,1\n").1.unwrap_err();
    assert!(
        problem.to_string().contains("no column \"what\""),
        "{problem}"
    );
}
