//! The two cookies: who is signed in, and what just happened.
//!
//! Neither can be read by a script, both stay on this site. Over TLS the names begin with
//! `__Host-`, so that no neighbouring host can set them (RFC 6265bis, section 4.1.3.2).

use axum::http::HeaderMap;
use axum::http::header::COOKIE;

use crate::frame::{Notice, Tone};
use crate::state::Cookies;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cookie {
    Session,
    Notice,
}

impl Cookie {
    fn name(self, cookies: Cookies) -> &'static str {
        match (self, cookies) {
            (Self::Session, Cookies::Secure) => "__Host-slackwater",
            (Self::Session, Cookies::Loopback) => "slackwater",
            (Self::Notice, Cookies::Secure) => "__Host-slackwater-notice",
            (Self::Notice, Cookies::Loopback) => "slackwater-notice",
        }
    }

    /// The value sent by the browser.
    pub fn read(self, headers: &HeaderMap, cookies: Cookies) -> Option<String> {
        let name = self.name(cookies);
        headers
            .get_all(COOKIE)
            .into_iter()
            .filter_map(|header| header.to_str().ok())
            .flat_map(|header| header.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .find(|(key, _)| *key == name)
            .map(|(_, value)| value.to_owned())
    }

    /// The header that sets it for `seconds`. The value holds only letters, digits, `-`, `_`.
    pub fn set(self, value: &str, seconds: i64, cookies: Cookies) -> String {
        debug_assert!(value.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b)));
        let secure = if cookies == Cookies::Secure { "; Secure" } else { "" };
        format!(
            "{}={value}; Path=/; HttpOnly; SameSite=Lax; Max-Age={seconds}{secure}",
            self.name(cookies)
        )
    }

    /// The header that takes it away.
    pub fn clear(self, cookies: Cookies) -> String {
        self.set("", 0, cookies)
    }
}

/// A notice as the value of a cookie.
pub fn write_notice(notice: &Notice) -> String {
    let tone = if notice.is_wrong() { 'w' } else { 'd' };
    let text = format!("{tone}{}\u{1f}{}", notice.saved, notice.text);
    text.bytes().take(1_500).map(|byte| format!("{byte:02x}")).collect()
}

/// The notice in a cookie's value; `None` for anything that we did not write.
pub fn read_notice(value: &str) -> Option<Notice> {
    let bytes: Option<Vec<u8>> = value
        .as_bytes()
        .chunks(2)
        .map(|pair| std::str::from_utf8(pair).ok().and_then(|hex| u8::from_str_radix(hex, 16).ok()))
        .collect();
    let text = String::from_utf8_lossy(&bytes?).into_owned();
    let tone = match text.chars().next()? {
        'd' => Tone::Done,
        'w' => Tone::Wrong,
        _ => return None,
    };
    let (saved, text) = text.get(1..)?.split_once('\u{1f}')?;
    Some(Notice { text: text.to_owned(), tone, saved: saved.to_owned() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_notice_survives_its_cookie_and_rubbish_does_not_become_one() {
        let saved = "hours north".to_owned();
        let notice =
            Notice { saved, ..Notice::done("12 readings saved; Bølgen’s “odd” one = ?") };
        assert_eq!(read_notice(&write_notice(&notice)), Some(notice));
        for rubbish in ["", "z", "zz", "646f", "x; y", "ffff"] {
            assert_eq!(read_notice(rubbish), None, "{rubbish}");
        }
    }

    #[test]
    fn a_cookie_is_found_among_others_and_only_by_its_whole_name() {
        let mut headers = HeaderMap::new();
        headers.append(COOKIE, "a=1; xslackwater=no; slackwater=yes".parse().unwrap());
        let read = Cookie::Session.read(&headers, Cookies::Loopback);
        assert_eq!(read.as_deref(), Some("yes"));
        assert_eq!(Cookie::Session.read(&headers, Cookies::Secure), None);
    }

    #[test]
    fn a_cookie_that_may_leave_the_machine_is_secure_and_bound_to_its_host() {
        let set = Cookie::Session.set("abc", 60, Cookies::Secure);
        assert!(
            set.starts_with("__Host-") && set.ends_with("; Secure") && set.contains("HttpOnly")
        );
        assert!(!Cookie::Session.set("abc", 60, Cookies::Loopback).contains("Secure"));
    }
}
