//! Signing in and out.

use askama::Template;

use crate::frame::Frame;

#[derive(Template)]
#[template(path = "sign_in.html")]
pub struct SignInPage {
    pub frame: Frame,
    pub email: String,
    /// Where to go on afterwards: a path of ours.
    pub onward: String,
    pub fault: String,
}
