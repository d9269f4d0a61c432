//! Public names: what code that uses the library can name, read from the source.

use std::collections::BTreeMap;
use std::path::Path;
use syn::{Attribute, Fields, ImplItem, Item, UseTree, Visibility};

/// The source by module path.
pub struct Names {
    files: BTreeMap<Vec<String>, syn::File>,
    found: BTreeMap<(Vec<String>, String), Named>,
}

/// One item that the world can name.
#[derive(Default)]
struct Named {
    kind: &'static str,
    paths: Vec<String>,
    /// Public fields, variants and methods.
    parts: Vec<String>,
}

impl Names {
    pub fn read(src: &Path) -> Names {
        let mut names = Names {
            files: BTreeMap::new(),
            found: BTreeMap::new(),
        };
        names.parse(src, &[]);
        names.module(&[], "humsieve");
        names
    }

    /// Number of items, however many paths lead to each.
    pub fn count(&self) -> usize {
        self.found.len()
    }

    /// A line for each item: its kind, its paths, what of it is public.
    pub fn listing(&self) -> String {
        let mut lines: Vec<String> = self
            .found
            .values()
            .map(|named| {
                let mut paths = named.paths.clone();
                paths.sort_by_key(|path| (path.matches("::").count(), path.clone()));
                let parts = named.parts.join(" ");
                let line = format!("{} {}: {parts}", named.kind, paths.join(" = "));
                line.trim_end_matches(": ").to_owned()
            })
            .collect();
        lines.sort();
        lines.join("\n")
    }

    fn parse(&mut self, folder: &Path, module: &[String]) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let stem = path.file_stem().unwrap().to_str().unwrap().to_owned();
            if path.is_dir() {
                self.parse(&path, &[module, &[stem]].concat());
            } else if path.extension().is_some_and(|e| e == "rs") && stem != "main" {
                let own = if stem == "mod" || stem == "lib" {
                    module.to_vec()
                } else {
                    [module, &[stem]].concat()
                };
                let text = std::fs::read_to_string(&path).unwrap();
                self.files.insert(own, syn::parse_file(&text).unwrap());
            }
        }
    }

    fn module(&mut self, module: &[String], shown: &str) {
        let Some(file) = self.files.get(module).cloned() else {
            return;
        };
        for item in &file.items {
            if let Item::Mod(child) = item
                && public(&child.vis)
            {
                let name = child.ident.to_string();
                let inside = [module, std::slice::from_ref(&name)].concat();
                self.module(&inside, &format!("{shown}::{name}"));
            } else if let Item::Use(import) = item
                && public(&import.vis)
            {
                for (path, name) in leaves(&import.tree, &[]) {
                    self.add(module, &path, &format!("{shown}::{name}"));
                }
            } else if let Some(name) = named(item, public) {
                let path = ["self".to_owned(), name.clone()];
                self.add(module, &path, &format!("{shown}::{name}"));
            }
        }
    }

    fn add(&mut self, module: &[String], path: &[String], shown: &str) {
        let (home, name) = self.defined(module, path);
        let parts = self.parts(&home, &name);
        let kind = self
            .files
            .get(&home)
            .and_then(|file| {
                file.items
                    .iter()
                    .find(|i| named(i, |_| true).as_ref() == Some(&name))
            })
            .map_or("other crate's", kind);
        let named = self.found.entry((home, name)).or_default();
        named.kind = kind;
        named.parts = parts;
        named.paths.push(shown.to_owned());
    }

    /// The module in which a path's item is defined, and its name there.
    fn defined(&self, module: &[String], path: &[String]) -> (Vec<String>, String) {
        let mut at = module.to_vec();
        for (k, part) in path.iter().enumerate() {
            match part.as_str() {
                "crate" => at.clear(),
                "self" => {}
                "super" => {
                    at.pop();
                }
                part => {
                    at.push(part.to_owned());
                    if k + 1 < path.len() && self.files.contains_key(&at) {
                        continue;
                    }
                    at.pop();
                    let outside = (
                        path[..path.len() - 1].to_vec(),
                        path[path.len() - 1].clone(),
                    );
                    if k + 1 < path.len() {
                        return outside;
                    }
                    return self.followed(&at, part).unwrap_or(outside);
                }
            }
        }
        (at, String::new())
    }

    fn followed(&self, module: &[String], name: &str) -> Option<(Vec<String>, String)> {
        let file = self.files.get(module)?;
        for item in &file.items {
            if named(item, |_| true).as_deref() == Some(name) {
                return Some((module.to_vec(), name.to_owned()));
            }
            if let Item::Use(import) = item
                && let Some((path, _)) = leaves(&import.tree, &[])
                    .into_iter()
                    .find(|(_, shown)| shown == name)
                // Another crate as a whole.
                && path != [name]
            {
                return Some(self.defined(module, &path));
            }
        }
        None
    }

    fn parts(&self, home: &[String], name: &str) -> Vec<String> {
        let mut parts = Vec::new();
        for item in self.files.get(home).iter().flat_map(|file| &file.items) {
            match item {
                Item::Struct(item) if item.ident == name => {
                    parts.extend(marked(&item.attrs));
                    parts.extend(fields(&item.fields, public));
                }
                Item::Enum(item) if item.ident == name => {
                    parts.extend(marked(&item.attrs));
                    for variant in &item.variants {
                        let inner = fields(&variant.fields, |_| true).join(" ");
                        parts.push(if inner.is_empty() {
                            variant.ident.to_string()
                        } else {
                            format!("{}{{{inner}}}", variant.ident)
                        });
                    }
                }
                Item::Trait(item) if item.ident == name => {
                    parts.extend(item.items.iter().filter_map(|item| match item {
                        syn::TraitItem::Fn(method) => Some(format!("{}()", method.sig.ident)),
                        _ => None,
                    }));
                }
                _ => {}
            }
        }
        // Methods may stand in any file: an `impl` of a name that leads to this very item.
        for (module, file) in &self.files {
            for item in &file.items {
                if let Item::Impl(block) = item
                    && block.trait_.is_none()
                    && let syn::Type::Path(of) = &*block.self_ty
                    && of.path.is_ident(name)
                        | (of.path.segments.last().is_some_and(|s| s.ident == name))
                    && self.followed(module, name) == Some((home.to_vec(), name.to_owned()))
                {
                    parts.extend(block.items.iter().filter_map(|item| match item {
                        ImplItem::Fn(method) if public(&method.vis) => {
                            Some(format!("{}()", method.sig.ident))
                        }
                        ImplItem::Const(constant) if public(&constant.vis) => {
                            Some(constant.ident.to_string())
                        }
                        _ => None,
                    }));
                }
            }
        }
        parts
    }
}

fn public(visibility: &Visibility) -> bool {
    matches!(visibility, Visibility::Public(_))
}

fn marked(attributes: &[Attribute]) -> Option<String> {
    attributes
        .iter()
        .any(|a| a.path().is_ident("non_exhaustive"))
        .then(|| "(grows)".to_owned())
}

fn fields(fields: &Fields, shown: impl Fn(&Visibility) -> bool) -> Vec<String> {
    fields
        .iter()
        .enumerate()
        .filter(|(_, field)| shown(&field.vis))
        .map(|(k, field)| {
            field
                .ident
                .as_ref()
                .map_or_else(|| k.to_string(), ToString::to_string)
        })
        .collect()
}

fn named(item: &Item, shown: impl Fn(&Visibility) -> bool) -> Option<String> {
    let (visibility, name) = match item {
        Item::Fn(item) => (&item.vis, &item.sig.ident),
        Item::Struct(item) => (&item.vis, &item.ident),
        Item::Enum(item) => (&item.vis, &item.ident),
        Item::Trait(item) => (&item.vis, &item.ident),
        Item::Const(item) => (&item.vis, &item.ident),
        Item::Static(item) => (&item.vis, &item.ident),
        Item::Type(item) => (&item.vis, &item.ident),
        _ => return None,
    };
    shown(visibility).then(|| name.to_string())
}

fn kind(item: &Item) -> &'static str {
    match item {
        Item::Fn(_) => "fn",
        Item::Struct(_) => "struct",
        Item::Enum(_) => "enum",
        Item::Trait(_) => "trait",
        Item::Const(_) | Item::Static(_) => "const",
        _ => "type",
    }
}

/// Every name that a `use` brings: where it comes from and what it is called here.
fn leaves(tree: &UseTree, before: &[String]) -> Vec<(Vec<String>, String)> {
    let with = |name: &syn::Ident| [before, &[name.to_string()]].concat();
    match tree {
        UseTree::Path(path) => leaves(&path.tree, &with(&path.ident)),
        UseTree::Name(name) => vec![(with(&name.ident), name.ident.to_string())],
        UseTree::Rename(name) => vec![(with(&name.ident), name.rename.to_string())],
        UseTree::Glob(_) => vec![(before.to_vec(), "*".to_owned())],
        UseTree::Group(group) => group.items.iter().flat_map(|t| leaves(t, before)).collect(),
    }
}
