//! Little-endian fields taken from and put into byte slices, without a panic for any length.
//!
//! Comes in: a body and the values of its fields. Goes out: the values, or how many bytes were written.

use crate::message::MessageFault;

/// Takes fields from the front of a body.
pub(crate) struct Reader<'a> {
    kind: u8,
    rest: &'a [u8],
}

impl<'a> Reader<'a> {
    /// Starts after the kind byte, which it hands back.
    pub(crate) fn new(body: &'a [u8]) -> Result<(u8, Self), MessageFault> {
        let (&kind, rest) = body.split_first().ok_or(MessageFault::Empty)?;
        Ok((kind, Self { kind, rest }))
    }

    pub(crate) fn bytes<const N: usize>(&mut self) -> Result<[u8; N], MessageFault> {
        let (field, rest) =
            self.rest.split_first_chunk::<N>().ok_or(MessageFault::Length { kind: self.kind })?;
        self.rest = rest;
        Ok(*field)
    }

    pub(crate) fn u8(&mut self) -> Result<u8, MessageFault> {
        self.bytes::<1>().map(u8::from_le_bytes)
    }

    pub(crate) fn u16(&mut self) -> Result<u16, MessageFault> {
        self.bytes().map(u16::from_le_bytes)
    }

    pub(crate) fn u32(&mut self) -> Result<u32, MessageFault> {
        self.bytes().map(u32::from_le_bytes)
    }

    pub(crate) fn i32(&mut self) -> Result<i32, MessageFault> {
        self.bytes().map(i32::from_le_bytes)
    }

    pub(crate) fn u64(&mut self) -> Result<u64, MessageFault> {
        self.bytes().map(u64::from_le_bytes)
    }

    /// All that is left, which must be exactly `length` bytes.
    pub(crate) fn last(self, length: usize) -> Result<&'a [u8], MessageFault> {
        if self.rest.len() == length { Ok(self.rest) } else { Err(MessageFault::Length { kind: self.kind }) }
    }

    /// Nothing may be left.
    pub(crate) fn end(self) -> Result<(), MessageFault> {
        self.last(0).map(|_| ())
    }
}

/// Puts fields one after the other into a buffer.
pub(crate) struct Writer<'a> {
    out: &'a mut [u8],
    length: usize,
}

impl<'a> Writer<'a> {
    /// Starts with the kind byte.
    pub(crate) fn new(out: &'a mut [u8], kind: u8) -> Result<Self, MessageFault> {
        let mut writer = Self { out, length: 0 };
        writer.put(&[kind])?;
        Ok(writer)
    }

    pub(crate) fn put(&mut self, field: &[u8]) -> Result<(), MessageFault> {
        self.length = place(self.out, self.length, field).ok_or(MessageFault::NoRoom)?;
        Ok(())
    }

    pub(crate) fn length(&self) -> usize {
        self.length
    }
}

/// Copies `field` to `out` from `at` on; the index after it, or `None` where it does not fit.
pub(crate) fn place(out: &mut [u8], at: usize, field: &[u8]) -> Option<usize> {
    let end = at.checked_add(field.len())?;
    // Equal lengths by construction: this copy cannot panic.
    out.get_mut(at..end)?.copy_from_slice(field);
    Some(end)
}
