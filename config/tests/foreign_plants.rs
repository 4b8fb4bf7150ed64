//! What a site file says about foreign sensors, contacts and drives.
#![expect(clippy::unwrap_used, reason = "tests")]

use leeside_config::wire::{
    Broker, ContactWire, DriveWire, Quantity, SensorPart, SensorWire, TimeForm,
};
use leeside_config::{LoadOptions, Site, load_site};
use std::path::Path;

fn site() -> Site {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/sites/foreign.toml");
    load_site(&path, &LoadOptions::around(2027)).unwrap().0
}

fn parts(site: &Site, sensor: &str) -> Vec<SensorPart> {
    match &site.wire.sensors[site.model.sensor_named(sensor).unwrap().index()] {
        SensorWire::Foreign { parts, .. } => parts.clone(),
        SensorWire::Own => Vec::new(),
    }
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9
}

/// Units by definition: 1 km/h = 1/3.6 m/s, 1 kn = 1852 m/h (SI Brochure, 9th
/// edition, table 8 and its notes); °C = (°F - 32)/1.8.
#[test]
fn units_are_converted() {
    let site = site();
    let wind = parts(&site, "wind west");
    let of = |quantity| wind.iter().find(|p| p.quantity == quantity).unwrap();
    assert!(close(of(Quantity::Gust).factor * 36.0, 10.0));
    assert!(close(of(Quantity::Mean).factor * 3600.0, 1852.0));
    assert_eq!(of(Quantity::Gust).pointer.as_deref(), Some("/wind/gust"));
    assert_eq!(of(Quantity::Direction).pointer, None);
    let rain = parts(&site, "rain");
    assert!(close(rain[0].factor, 0.2));
    let air = parts(&site, "air");
    let celsius = |f: f64| f * air[0].factor + air[0].offset;
    assert!(close(celsius(32.0), 0.0) && close(celsius(212.0), 100.0));
}

#[test]
fn time_and_own_forms() {
    let site = site();
    let index = site.model.sensor_named("wind west").unwrap().index();
    match &site.wire.sensors[index] {
        SensorWire::Foreign { time, .. } => {
            assert_eq!(time.as_ref().unwrap().form, TimeForm::Rfc3339);
        }
        SensorWire::Own => panic!("wind west is foreign"),
    }
    assert!(parts(&site, "wind south").is_empty());
    let door = &site.wire.contacts[site.model.contact_named("terrace door").unwrap().index()];
    match door {
        ContactWire::Foreign(form) => {
            assert_eq!(
                (form.active.as_str(), form.inactive.as_str()),
                ("open", "closed")
            );
        }
        ContactWire::Own => panic!("the door is foreign"),
    }
    assert_eq!(site.wire.gateways[0].as_ref().unwrap().active, "online");
}

#[test]
fn drives_are_addressed() {
    let site = site();
    let drive = |name: &str| {
        let id = site.model.device_named(name).unwrap();
        (
            site.wire.drives[id.index()].clone(),
            site.model.device(id).drive.reports,
        )
    };
    assert_eq!(drive("S-1"), (DriveWire::Own, true));
    let hall = |address: &str| DriveWire::Foreign {
        form: 0,
        address: address.to_owned(),
    };
    assert_eq!(drive("C-1"), (hall("17"), true));
    assert_eq!(drive("C-2"), (hall("18"), true));
    // Without an address the device's name; without a report nothing is awaited.
    let relay = DriveWire::Foreign {
        form: 1,
        address: "A-2".to_owned(),
    };
    assert_eq!(drive("A-2"), (relay, false));
    assert_eq!(site.wire.forms[1].pose.1, "{retraction_pct}");
}

#[test]
fn paths_lie_beside_the_site_file_and_the_broker_is_ours_by_default() {
    let site = site();
    assert!(
        site.wire
            .journal
            .file
            .ends_with("tests/sites/leeside-journal.sqlite")
    );
    match site.wire.broker.broker {
        Broker::Embedded { listen } => assert!(listen.ip().is_loopback()),
        Broker::External { .. } => panic!("no broker is named"),
    }
}
