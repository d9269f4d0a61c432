//! Which file needs which, read from the source with a parser of the language.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use syn::visit::Visit;

/// One `use` of one name.
struct Import {
    /// Name it has here; `*` for all names of a module.
    name: String,
    path: Vec<String>,
    exported: bool,
}

#[derive(Default)]
struct Room {
    file: String,
    lines: usize,
    imports: Vec<Import>,
    /// Paths written in code, absolute where they begin with `crate`, `self` or `super`.
    paths: Vec<Vec<String>>,
    /// First names of the other paths: what of the imports is used here.
    names: BTreeSet<String>,
}

/// Every module of a crate by its path.
pub struct House {
    rooms: BTreeMap<Vec<String>, Room>,
    edges: BTreeMap<String, BTreeSet<String>>,
}

impl House {
    pub fn read(src: &Path) -> House {
        let mut house = House {
            rooms: BTreeMap::new(),
            edges: BTreeMap::new(),
        };
        house.walk(src, src);
        let edges = house
            .rooms
            .iter()
            .map(|(module, room)| (room.file.clone(), house.needs(module, room)))
            .collect();
        house.edges = edges;
        house
    }

    fn walk(&mut self, src: &Path, folder: &Path) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                self.walk(src, &path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = std::fs::read_to_string(&path).unwrap();
                let file = path.strip_prefix(src).unwrap();
                let mut module: Vec<String> = file
                    .with_extension("")
                    .iter()
                    .map(|part| part.to_str().unwrap().to_owned())
                    .collect();
                if matches!(module.last().map(String::as_str), Some("mod" | "lib")) {
                    module.pop();
                }
                let mut reader = Reader {
                    room: Room {
                        file: file.to_str().unwrap().replace('\\', "/"),
                        lines: text.lines().count(),
                        ..Room::default()
                    },
                    module: module.clone(),
                };
                reader.visit_file(&syn::parse_file(&text).unwrap());
                self.rooms.insert(module, reader.room);
            }
        }
    }

    pub fn files(&self) -> impl Iterator<Item = &str> {
        self.edges.keys().map(String::as_str)
    }

    pub fn needs_of(&self, file: &str) -> &BTreeSet<String> {
        &self.edges[file]
    }

    pub fn lines(&self, file: &str) -> usize {
        self.rooms
            .values()
            .find(|room| room.file == file)
            .map_or(0, |room| room.lines)
    }

    /// Number of source files that lie in each folder itself.
    pub fn folders(&self) -> BTreeMap<String, usize> {
        let mut counts = BTreeMap::new();
        for file in self.files() {
            *counts.entry(folder_of(file).to_owned()).or_insert(0) += 1;
        }
        counts
    }

    fn needs(&self, module: &[String], room: &Room) -> BTreeSet<String> {
        let mut needs = BTreeSet::new();
        let mut add = |path: &[String]| {
            if let Some(file) = self.definition(path, 0)
                && file != room.file
            {
                needs.insert(file);
            }
        };
        for import in &room.imports {
            let used = if import.name == "*" {
                !import.exported
            } else {
                room.names.contains(&import.name)
            };
            // A name that is only handed on is no need of this file's own; a private import always is.
            if used || !import.exported {
                add(&import.path);
            }
        }
        for path in &room.paths {
            add(path);
            // A path through a child module or an imported one.
            let mut inside = module.to_vec();
            inside.extend(path.iter().cloned());
            if path.len() > 1 && self.rooms.contains_key(&inside[..=module.len()]) {
                add(&inside);
            }
            if let Some(import) = room.imports.iter().find(|i| i.name == path[0])
                && path.len() > 1
            {
                let mut whole = import.path.clone();
                whole.extend(path[1..].iter().cloned());
                add(&whole);
            }
        }
        needs
    }

    /// The file in which a path's item is defined.
    fn definition(&self, path: &[String], depth: usize) -> Option<String> {
        if depth > 8 {
            return None;
        }
        let mut known = 0;
        while known < path.len() && self.rooms.contains_key(&path[..=known]) {
            known += 1;
        }
        if known == 0 && !path.is_empty() {
            // An item of the crate's root, or another crate.
            let root = self.rooms.get(&Vec::new())?;
            return self.handed_on(root, path, depth);
        }
        let room = self.rooms.get(&path[..known])?;
        if known == path.len() {
            return Some(room.file.clone());
        }
        self.handed_on(room, &path[known..], depth)
            .or_else(|| Some(room.file.clone()))
    }

    /// Follows re-exports of a room.
    fn handed_on(&self, room: &Room, rest: &[String], depth: usize) -> Option<String> {
        let import = room.imports.iter().find(|i| i.name == rest[0])?;
        let mut path = import.path.clone();
        path.extend(rest[1..].iter().cloned());
        self.definition(&path, depth + 1)
    }

    /// Circles among the children of each folder, one line each.
    pub fn circles(&self) -> Vec<String> {
        let mut graphs: BTreeMap<String, BTreeMap<String, BTreeMap<String, String>>> =
            BTreeMap::new();
        for (from, needs) in &self.edges {
            for to in needs {
                let (folder, a, b) = siblings(from, to);
                graphs
                    .entry(folder)
                    .or_default()
                    .entry(a)
                    .or_default()
                    .entry(b)
                    .or_insert_with(|| format!("{from} needs {to}"));
            }
        }
        let mut found = Vec::new();
        for (folder, graph) in graphs {
            for ring in rings(&graph) {
                let mut why = Vec::new();
                for a in &ring {
                    for (b, reason) in &graph[a] {
                        if ring.contains(b) {
                            why.push(format!("    {reason}"));
                        }
                    }
                }
                let members: Vec<&str> = ring.iter().map(String::as_str).collect();
                found.push(format!(
                    "in {folder}/: {}\n{}",
                    members.join(", "),
                    why.join("\n")
                ));
            }
        }
        found
    }
}

fn folder_of(file: &str) -> &str {
    file.rsplit_once('/').map_or("", |(folder, _)| folder)
}

/// The lowest folder that holds both files, and its two children in which they lie.
fn siblings(a: &str, b: &str) -> (String, String, String) {
    let (left, right): (Vec<&str>, Vec<&str>) = (a.split('/').collect(), b.split('/').collect());
    let mut same = 0;
    while same + 1 < left.len() && same + 1 < right.len() && left[same] == right[same] {
        same += 1;
    }
    (
        left[..same].join("/"),
        left[same].to_owned(),
        right[same].to_owned(),
    )
}

/// Strongly connected sets of more than one member: those that reach each other.
fn rings(graph: &BTreeMap<String, BTreeMap<String, String>>) -> Vec<BTreeSet<String>> {
    let reach: BTreeMap<&String, BTreeSet<&String>> = graph
        .keys()
        .map(|start| {
            let mut seen = BTreeSet::new();
            let mut open = vec![start];
            while let Some(at) = open.pop() {
                for next in graph.get(at).into_iter().flat_map(BTreeMap::keys) {
                    if seen.insert(next) {
                        open.push(next);
                    }
                }
            }
            (start, seen)
        })
        .collect();
    let mut found: Vec<BTreeSet<String>> = Vec::new();
    for (a, seen) in &reach {
        if !seen.contains(*a) || found.iter().any(|ring| ring.contains(*a)) {
            continue;
        }
        let ring: BTreeSet<String> = seen
            .iter()
            .filter(|b| reach.get(*b).is_some_and(|back| back.contains(*a)))
            .map(|b| (*b).clone())
            .collect();
        found.push(ring);
    }
    found
}

struct Reader {
    room: Room,
    module: Vec<String>,
}

fn for_tests(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|a| {
        a.path().is_ident("test")
            || (a.path().is_ident("cfg")
                && matches!(&a.meta, syn::Meta::List(list) if list.tokens.to_string() == "test"))
    })
}

impl Reader {
    /// A written path without its leading `crate`, `self` or `super`; others as they stand.
    fn absolute(&self, path: &[String]) -> Vec<String> {
        match path[0].as_str() {
            "crate" | "humsieve" => path[1..].to_vec(),
            "self" => [&self.module[..], &path[1..]].concat(),
            "super" => {
                let mut base = self.module.clone();
                let mut rest = path;
                while rest.first().is_some_and(|p| p == "super") {
                    base.pop();
                    rest = &rest[1..];
                }
                base.extend(rest.iter().cloned());
                base
            }
            _ => path.to_vec(),
        }
    }

    fn tree(&mut self, tree: &syn::UseTree, before: &[String], exported: bool) {
        let mut add = |name: String, path: &[String]| {
            let mut path = path.to_vec();
            if path.last().is_some_and(|p| p == "self") {
                path.pop();
            }
            let child = [&self.module[..], &path[..]].concat();
            let absolute = match path[0].as_str() {
                "crate" | "humsieve" | "self" | "super" => self.absolute(&path),
                // `use child::Name` in the file that declares the child.
                _ => child,
            };
            self.room.imports.push(Import {
                name,
                path: absolute,
                exported,
            });
        };
        let with = |name: &syn::Ident| [before, &[name.to_string()]].concat();
        match tree {
            syn::UseTree::Path(path) => self.tree(&path.tree, &with(&path.ident), exported),
            syn::UseTree::Name(name) => {
                let own = match name.ident.to_string() {
                    own if own == "self" => before.last().cloned().unwrap_or_default(),
                    own => own,
                };
                add(own, &with(&name.ident));
            }
            syn::UseTree::Rename(name) => add(name.rename.to_string(), &with(&name.ident)),
            syn::UseTree::Glob(_) => add("*".to_owned(), before),
            syn::UseTree::Group(group) => {
                for item in &group.items {
                    self.tree(item, before, exported);
                }
            }
        }
    }

    fn written(&mut self, path: &[String]) {
        if path.is_empty() {
            return;
        }
        self.room.names.insert(path[0].clone());
        if path.len() > 1 {
            let absolute = self.absolute(path);
            if !absolute.is_empty() {
                self.room.paths.push(absolute);
            }
        }
    }
}

impl<'ast> Visit<'ast> for Reader {
    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        if !for_tests(&item.attrs) {
            syn::visit::visit_item_mod(self, item);
        }
    }

    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        if !for_tests(&item.attrs) {
            syn::visit::visit_item_fn(self, item);
        }
    }

    fn visit_item_impl(&mut self, item: &'ast syn::ItemImpl) {
        if !for_tests(&item.attrs) {
            syn::visit::visit_item_impl(self, item);
        }
    }

    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        if !for_tests(&item.attrs) {
            syn::visit::visit_impl_item_fn(self, item);
        }
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        if !for_tests(&item.attrs) {
            let exported = !matches!(item.vis, syn::Visibility::Inherited);
            self.tree(&item.tree, &[], exported);
        }
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        let names: Vec<String> = path.segments.iter().map(|s| s.ident.to_string()).collect();
        self.written(&names);
        syn::visit::visit_path(self, path);
    }

    fn visit_macro(&mut self, item: &'ast syn::Macro) {
        let mut path: Vec<String> = Vec::new();
        let text = item.tokens.to_string();
        for word in text.split(|c: char| !(c.is_alphanumeric() || c == '_' || c == ':' || c == ' '))
        {
            let mut joined = false;
            for part in word.split_whitespace() {
                if part == "::" {
                    joined = true;
                } else {
                    if !joined {
                        self.written(&std::mem::take(&mut path));
                    }
                    path.extend(
                        part.split("::")
                            .filter(|p| !p.is_empty())
                            .map(str::to_owned),
                    );
                    joined = part.ends_with("::");
                }
            }
            self.written(&std::mem::take(&mut path));
        }
        syn::visit::visit_macro(self, item);
    }
}
