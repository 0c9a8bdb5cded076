//! The source of the workspace as data: modules, what each uses, and every `match`.
//!
//! What stands under `#[cfg(test)]` is left out.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use syn::punctuated::Punctuated;
use syn::spanned::Spanned;
use syn::visit::{self, Visit};

/// The crates, each after those that it may know.
pub const CRATES: [&str; 5] = ["models", "sim", "sheet", "measure", "cli"];

/// A module: its name from the root of the crate.
pub type Module = Vec<String>;

/// A file of the workspace.
#[derive(Debug)]
pub struct Source {
    /// From the root of the workspace.
    pub path: PathBuf,
    /// Its text.
    pub text: String,
    /// The crate's folder.
    pub of_crate: String,
    /// The module it holds.
    pub module: Module,
}

/// The root of the workspace.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// Every file under `src` of a crate, in the order of their paths.
///
/// # Panics
/// When the folder cannot be read.
pub fn sources(of_crate: &str) -> Vec<Source> {
    let folder = root().join(of_crate).join("src");
    let mut found = Vec::new();
    gather(&folder, &mut found);
    found.sort();
    found
        .into_iter()
        .map(|path| {
            let inner = path.strip_prefix(&folder).expect("it was found there");
            let mut module: Module = inner
                .with_extension("")
                .iter()
                .map(|name| name.to_string_lossy().into_owned())
                .collect();
            let last = module.last().map(String::as_str);
            if matches!(last, Some("mod"))
                || matches!(module.as_slice(), [one] if one == "lib" || one == "main")
            {
                module.pop();
            }
            Source {
                text: fs::read_to_string(&path).expect("a readable file"),
                path: path.strip_prefix(root()).expect("it is inside").to_owned(),
                of_crate: of_crate.to_owned(),
                module,
            }
        })
        .collect()
}

/// Every file that ends in `.rs` below a folder.
fn gather(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a readable folder") {
        let path = entry.expect("a readable entry").path();
        if path.is_dir() {
            gather(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
}

impl Source {
    /// Lines.
    pub fn lines(&self) -> usize {
        self.text.lines().count()
    }

    fn parsed(&self) -> syn::File {
        syn::parse_file(&self.text).unwrap_or_else(|e| panic!("{}: {e}", self.path.display()))
    }

    /// Paths of the crate that the file names, from the root of the crate.
    pub fn paths(&self) -> BTreeSet<Vec<String>> {
        let mut paths = Paths {
            here: self.module.clone(),
            found: BTreeSet::new(),
        };
        paths.visit_file(&self.parsed());
        paths.found
    }

    /// The cases of an enum that stands in the file.
    ///
    /// # Panics
    /// When it does not.
    pub fn cases(&self, of: &str) -> Vec<String> {
        let mut items = self.parsed().items.into_iter();
        let found = items.find_map(|item| match item {
            syn::Item::Enum(found) if found.ident == of => Some(found),
            _ => None,
        });
        let found = found.unwrap_or_else(|| panic!("{}: no enum {of}", self.path.display()));
        let cases = found.variants.iter();
        cases.map(|case| case.ident.to_string()).collect()
    }

    /// Lines where a `match` over one of these enums has an arm for whatever else there is.
    pub fn wildcards(&self, enums: &[&str]) -> Vec<usize> {
        let mut matches = Matches {
            enums,
            itself: None,
            found: Vec::new(),
        };
        matches.visit_file(&self.parsed());
        matches.found
    }
}

/// Whether an item is there for tests alone.
fn is_test(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        attribute.path().is_ident("cfg")
            && attribute
                .meta
                .require_list()
                .is_ok_and(|list| list.tokens.to_string() == "test")
    })
}

struct Paths {
    here: Module,
    found: BTreeSet<Vec<String>>,
}

impl Paths {
    /// A path as written, from the root of the crate; none of one that leads elsewhere.
    fn add(&mut self, written: &[String]) {
        let mut base = match written.first().map(String::as_str) {
            Some("crate") => Vec::new(),
            Some("self" | "super") => self.here.clone(),
            _ => return,
        };
        let mut rest = written;
        if rest[0] != "super" {
            rest = &rest[1..];
        }
        while rest.first().is_some_and(|name| name == "super") {
            base.pop();
            rest = &rest[1..];
        }
        base.extend_from_slice(rest);
        self.found.insert(base);
    }

    fn tree(&mut self, tree: &syn::UseTree, before: &mut Vec<String>) {
        match tree {
            syn::UseTree::Path(path) => {
                before.push(path.ident.to_string());
                self.tree(&path.tree, before);
                before.pop();
            }
            syn::UseTree::Group(group) => {
                for tree in &group.items {
                    self.tree(tree, before);
                }
            }
            syn::UseTree::Name(name) => {
                let mut path = before.clone();
                path.push(name.ident.to_string());
                self.add(&path);
            }
            syn::UseTree::Rename(name) => {
                let mut path = before.clone();
                path.push(name.ident.to_string());
                self.add(&path);
            }
            syn::UseTree::Glob(_) => self.add(before),
        }
    }
}

impl<'ast> Visit<'ast> for Paths {
    fn visit_item(&mut self, item: &'ast syn::Item) {
        if let syn::Item::Mod(inline) = item {
            if is_test(&inline.attrs) {
                return;
            }
            if inline.content.is_some() {
                self.here.push(inline.ident.to_string());
                visit::visit_item(self, item);
                self.here.pop();
                return;
            }
        }
        visit::visit_item(self, item);
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        self.tree(&item.tree, &mut Vec::new());
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        let written: Vec<String> = path.segments.iter().map(|s| s.ident.to_string()).collect();
        self.add(&written);
        visit::visit_path(self, path);
    }
}

struct Matches<'a> {
    enums: &'a [&'a str],
    /// The type whose `impl` is being read.
    itself: Option<String>,
    found: Vec<usize>,
}

impl Matches<'_> {
    fn names_one(&self, pattern: &syn::Pat) -> bool {
        struct Named<'a, 'b> {
            of: &'a Matches<'b>,
            found: bool,
        }
        impl<'ast> Visit<'ast> for Named<'_, '_> {
            fn visit_path(&mut self, path: &'ast syn::Path) {
                let names: Vec<String> =
                    path.segments.iter().map(|s| s.ident.to_string()).collect();
                if let [.., of, _] = names.as_slice() {
                    let of = match (of.as_str(), &self.of.itself) {
                        ("Self", Some(itself)) => itself,
                        _ => of,
                    };
                    self.found |= self.of.enums.contains(&of.as_str());
                }
            }
        }
        let mut named = Named {
            of: self,
            found: false,
        };
        named.visit_pat(pattern);
        named.found
    }
}

/// Whether a pattern takes whatever there is.
fn takes_all(pattern: &syn::Pat) -> bool {
    match pattern {
        syn::Pat::Wild(_) => true,
        syn::Pat::Ident(ident) => {
            let name = ident.ident.to_string();
            ident.subpat.is_none() && name.starts_with(|c: char| c.is_lowercase())
        }
        syn::Pat::Tuple(tuple) => all(&tuple.elems),
        _ => false,
    }
}

fn all(patterns: &Punctuated<syn::Pat, syn::Token![,]>) -> bool {
    patterns
        .iter()
        .all(|pattern| takes_all(pattern) || matches!(pattern, syn::Pat::Rest(_)))
}

impl<'ast> Visit<'ast> for Matches<'_> {
    fn visit_item(&mut self, item: &'ast syn::Item) {
        if let syn::Item::Mod(inline) = item
            && is_test(&inline.attrs)
        {
            return;
        }
        visit::visit_item(self, item);
    }

    fn visit_item_impl(&mut self, item: &'ast syn::ItemImpl) {
        let before = self.itself.take();
        if let syn::Type::Path(path) = &*item.self_ty {
            self.itself = path.path.segments.last().map(|s| s.ident.to_string());
        }
        visit::visit_item_impl(self, item);
        self.itself = before;
    }

    fn visit_expr_match(&mut self, expression: &'ast syn::ExprMatch) {
        let arms = &expression.arms;
        if arms.iter().any(|arm| self.names_one(&arm.pat))
            && arms
                .iter()
                .any(|arm| arm.guard.is_none() && takes_all(&arm.pat))
        {
            self.found.push(expression.span().start().line);
        }
        visit::visit_expr_match(self, expression);
    }
}

/// Which modules of a crate use which, parents and children of each other left out.
pub fn uses(sources: &[Source]) -> BTreeMap<Module, BTreeSet<Module>> {
    let modules: BTreeSet<&Module> = sources.iter().map(|source| &source.module).collect();
    let related = |a: &Module, b: &Module| a.starts_with(b) || b.starts_with(a);
    sources
        .iter()
        .map(|source| {
            let of = source.paths();
            let used = of.iter().filter_map(|path| {
                let longest = (0..=path.len()).rev().map(|n| path[..n].to_vec());
                longest.into_iter().find(|module| modules.contains(module))
            });
            let used = used.filter(|module| !related(module, &source.module));
            (source.module.clone(), used.collect())
        })
        .collect()
}

/// A way from a module back to itself; none when there is none.
pub fn circle(uses: &BTreeMap<Module, BTreeSet<Module>>) -> Option<Vec<Module>> {
    fn follow<'a>(
        at: &'a Module,
        uses: &'a BTreeMap<Module, BTreeSet<Module>>,
        way: &mut Vec<&'a Module>,
        done: &mut BTreeSet<&'a Module>,
    ) -> Option<Vec<Module>> {
        if let Some(start) = way.iter().position(|module| *module == at) {
            return Some(
                way[start..]
                    .iter()
                    .map(|module| (*module).clone())
                    .collect(),
            );
        }
        if !done.insert(at) {
            return None;
        }
        way.push(at);
        let found = uses
            .get(at)
            .into_iter()
            .flatten()
            .find_map(|next| follow(next, uses, way, done));
        way.pop();
        found
    }
    let mut done = BTreeSet::new();
    uses.keys()
        .find_map(|module| follow(module, uses, &mut Vec::new(), &mut done))
}
