//! Counts as a person reads them.

/// A count with its thousands apart: `12 345`.
pub fn count(n: usize) -> String {
    let digits = n.to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

/// `1 scan`, `2 scans`.
pub fn plural(n: usize, word: &str) -> String {
    let s = if n == 1 { "" } else { "s" };
    format!("{} {word}{s}", count(n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_are_readable() {
        assert_eq!([0, 999, 1000, 1_234_567].map(count), ["0", "999", "1 000", "1 234 567"]);
    }
}
