//! Parquet's hybrid of run lengths and bit packing: definition levels, and codes of a dictionary.

use arrow::buffer::NullBuffer;

/// Definition levels of a page: 1 where a value stands, with their length before them.
pub(super) fn push_levels(out: &mut Vec<u8>, valid: Option<&NullBuffer>, n_rows: usize) {
    let n_null = valid.map_or(0, NullBuffer::null_count);
    let begin = out.len();
    out.extend_from_slice(&[0; 4]);
    match valid {
        Some(valid) if n_null > 0 && n_null < n_rows => {
            push_packed_head(out, n_rows);
            let bits = valid.inner().sliced();
            out.extend(bits.iter().take(n_rows.div_ceil(8)));
            // Behind the last row nothing stands.
            if let (Some(last), n_bits @ 1..) = (out.last_mut(), n_rows % 8) {
                *last &= (1 << n_bits) - 1;
            }
        }
        _ => push_run(out, n_rows, u16::from(n_null == 0), 1),
    }
    let length = u32::try_from(out.len() - begin - 4).unwrap_or(u32::MAX);
    if let Some(head) = out.get_mut(begin..begin + 4) {
        head.copy_from_slice(&length.to_le_bytes());
    }
}

/// Codes of a page, with their width before them.
pub(super) fn push_codes(out: &mut Vec<u8>, codes: &[u16], n_values: usize) {
    let most = n_values.saturating_sub(1).max(1);
    let width = usize::BITS - most.leading_zeros();
    out.push(width.to_le_bytes()[0]);
    let Some(first) = codes.first() else { return };
    if codes.iter().all(|code| code == first) {
        push_run(out, codes.len(), *first, width);
        return;
    }
    push_packed_head(out, codes.len());
    out.reserve(codes.len().div_ceil(8) * width as usize + 8);
    // Groups of eight codes end at a whole byte; the last is filled up with zeros.
    for group in codes.chunks(8) {
        let (mut word, mut n_bits, mut n_bytes) = (0_u64, 0, 0);
        for code in group {
            word |= u64::from(*code) << n_bits;
            n_bits += width;
            if n_bits >= 32 {
                out.extend_from_slice(&word.to_le_bytes()[..4]);
                word >>= 32;
                n_bits -= 32;
                n_bytes += 4;
            }
        }
        let left = (width as usize).saturating_sub(n_bytes);
        out.extend(word.to_le_bytes().iter().take(left));
    }
}

/// `n` times the same.
fn push_run(out: &mut Vec<u8>, n: usize, value: u16, width: u32) {
    push_varint(out, (n as u64) << 1);
    let n_bytes = width.div_ceil(8) as usize;
    out.extend(value.to_le_bytes().iter().take(n_bytes));
}

/// Before so many values packed in groups of eight.
fn push_packed_head(out: &mut Vec<u8>, n: usize) {
    push_varint(out, ((n as u64).div_ceil(8) << 1) | 1);
}

/// ULEB-128.
fn push_varint(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push((value & 0x7f) as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}
