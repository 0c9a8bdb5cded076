//! The nodes a part is joined to, as its line names them.

use super::draft::{Draft, NodeRef};
use super::error::FileErrorKind;
use super::fields::Fields;
use super::place::Place;
use sim::parts::Part;

/// A part ready to be placed.
pub(super) type Made = (Part, Vec<NodeRef>);

/// A list of nodes of a stated length.
pub(super) fn nodes(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    key: &'static str,
    least: usize,
    most: Option<usize>,
) -> Option<Vec<NodeRef>> {
    if !fields.has(key) {
        fields.raw(key);
        fields.miss(key);
        return None;
    }
    let texts = fields.list(draft, key)?;
    let found = texts.len();
    let list: Option<Vec<NodeRef>> = texts.iter().map(|text| draft.node(key, text)).collect();
    if found < least || most.is_some_and(|most| found > most) {
        let kind = FileErrorKind::NodeCount {
            key: key.to_owned(),
            least,
            most,
            found,
        };
        draft.fault(&Place::File(fields.span_of(key)), kind);
        return None;
    }
    list
}

/// The two nodes of `between`, which must differ.
pub(super) fn between(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Vec<NodeRef>> {
    let pair = nodes(fields, draft, "between", 2, Some(2))?;
    differ(fields, draft, pair)
}

/// Both ends of a part, which must differ.
pub(super) fn differ(
    fields: &Fields<'_>,
    draft: &mut Draft,
    pair: Vec<NodeRef>,
) -> Option<Vec<NodeRef>> {
    if pair[0].id == pair[1].id {
        let node = draft.circuit.node_name(pair[0].id).to_owned();
        let kind = FileErrorKind::SameNode {
            part: fields.owner.clone(),
            node,
        };
        draft.fault(
            &Place::File(pair[0].span.start..pair[1].span.end.max(pair[0].span.end)),
            kind,
        );
        return None;
    }
    Some(pair)
}

/// One node named by a key.
pub(super) fn node(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    key: &'static str,
) -> Option<NodeRef> {
    let text = fields.need_text(draft, key)?;
    draft.node(key, &text)
}

pub(super) fn poles(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Vec<NodeRef>> {
    let positive = node(fields, draft, "positive");
    let negative = node(fields, draft, "negative");
    let pair = vec![positive?, negative?];
    differ(fields, draft, pair)
}
