//! A small yard, loaded from files.

use tests::program::Folder;

pub const READINGS: &str = "serial,read_at,hours\n\
                            B-1,2026-05-01 18:00,100\n\
                            B-1,2026-05-10 18:00,112.5\n\
                            B-2,2026-05-01 18:00,7\n";

/// A site in Oslo, a pool, a model, two engines with readings, a supplier, parts.
pub fn small() -> Folder {
    let folder = Folder::begun();
    for (kind, file) in [
        ("sites", "site,time_zone\nQuay,Europe/Oslo\n"),
        ("pools", "site,pool,water\nQuay,Dinghies,salt\n"),
        ("boats", "site,boat,pool\nQuay,Teal 1,Dinghies\n"),
        ("models", "maker,model,strokes,fuel_system,source\nBrattvik,B6,4,carburettor,manual\n"),
        (
            "engines",
            "serial,maker,model,pool,first_run_on\nB-1,Brattvik,B6,Dinghies,2024-04-01\n\
             B-2,Brattvik,B6,Dinghies,2026-04-01\n",
        ),
        ("readings", READINGS),
        (
            "parts",
            "part,name,kind\nPUMP,pump kit,kit\nSEALS,seal kit,kit\nIMP,impeller,part\nORING,o-ring,part\n",
        ),
        ("kits", "kit,part,quantity\nPUMP,IMP,1\nPUMP,SEALS,1\n"),
        ("supersessions", "old_part,new_part,effective_on\nIMP,ORING,2026-01-01\n"),
    ] {
        folder.must_load(kind, file);
    }
    folder
}
