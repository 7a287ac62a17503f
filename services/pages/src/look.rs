//! Stylesheet and script, compiled in, each under a path that holds its digest, so that a browser
//! may keep it for ever and still gets the new one at once.

/// A file of the look.
#[derive(Clone, Copy, Debug)]
pub struct File {
    pub path: &'static str,
    pub body: &'static str,
    pub kind: &'static str,
}

macro_rules! digest_path {
    ($file:literal, $bytes:expr) => {{
        const DIGITS: [u8; 16] = hex(digest($bytes));
        const NAME: &[u8] = $file.as_bytes();
        const FULL: [u8; NAME.len() + 23] = joined(NAME, DIGITS);
        match std::str::from_utf8(&FULL) {
            Ok(path) => path,
            Err(_) => unreachable!(),
        }
    }};
}

const CSS: &str = include_str!("look/slackwater.css");
const JS: &str = include_str!("look/slackwater.js");

pub const STYLESHEET: File = File {
    path: digest_path!("slackwater.css", CSS.as_bytes()),
    body: CSS,
    kind: "text/css; charset=utf-8",
};

pub const SCRIPT: File = File {
    path: digest_path!("slackwater.js", JS.as_bytes()),
    body: JS,
    kind: "text/javascript; charset=utf-8",
};

/// FNV-1a, 64 bits: tells versions apart, protects nothing. Fowler, Noll and Vo (1991), constants
/// as in RFC 9923.
pub const fn digest(bytes: &[u8]) -> u64 {
    let mut hash = 0xcbf2_9ce4_8422_2325u64;
    let mut i = 0;
    while i < bytes.len() {
        hash = (hash ^ bytes[i] as u64).wrapping_mul(0x0000_0100_0000_01b3);
        i += 1;
    }
    hash
}

pub const fn hex(value: u64) -> [u8; 16] {
    let digits = b"0123456789abcdef";
    let mut out = [0; 16];
    let mut i = 0;
    while i < 16 {
        out[i] = digits[((value >> (60 - 4 * i)) & 15) as usize];
        i += 1;
    }
    out
}

/// `/look/` + digest + `-` … + file name; `N` is the length of all.
const fn joined<const N: usize>(name: &[u8], digits: [u8; 16]) -> [u8; N] {
    let head = b"/look/";
    let mut out = [b'-'; N];
    let mut i = 0;
    while i < head.len() {
        out[i] = head[i];
        i += 1;
    }
    let mut k = 0;
    while k < 16 {
        out[head.len() + k] = digits[k];
        k += 1;
    }
    let mut n = 0;
    while n < name.len() {
        out[head.len() + 17 + n] = name[n];
        n += 1;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9923, test vectors for FNV-1a, 64 bits ("" and "a"); from memory.
    #[test]
    fn the_digest_is_fnv_1a() {
        assert_eq!(digest(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(digest(b"a"), 0xaf63_dc4c_8601_ec8c);
    }

    #[test]
    fn a_path_holds_the_digest_and_the_name() {
        assert!(
            STYLESHEET.path.starts_with("/look/") && STYLESHEET.path.ends_with("-slackwater.css")
        );
        assert_eq!(STYLESHEET.path.len(), "/look/".len() + 16 + "-slackwater.css".len());
        assert_ne!(STYLESHEET.path[6..22], SCRIPT.path[6..22]);
    }
}
