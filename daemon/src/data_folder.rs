//! stub
use std::path::{Path, PathBuf};
#[derive(Debug)]
pub struct DataFolder(pub PathBuf);
#[derive(Debug)]
pub struct Lock;
impl DataFolder {
    pub fn open(path: Option<&Path>) -> anyhow::Result<Self> {
        let p = path.map(|p| p.to_owned()).unwrap_or("/tmp/ffdata".into());
        std::fs::create_dir_all(p.join("visits"))?;
        Ok(DataFolder(p))
    }
    pub fn new_visit(&self, id: uuid::Uuid, utc_ns: i64) -> anyhow::Result<(PathBuf, Lock)> {
        let _ = utc_ns;
        let f = self.0.join("visits").join(format!("{id}"));
        std::fs::create_dir_all(&f)?;
        Ok((f, Lock))
    }
}
pub fn discard(folder: &Path) -> anyhow::Result<()> {
    std::fs::remove_dir_all(folder)?;
    Ok(())
}
impl analysis::console::Advice for crate::journal::JournalError {
    fn hint(&self) -> String {
        String::new()
    }
}
