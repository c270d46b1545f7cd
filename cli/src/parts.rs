//! A scan of which only the wanted parts are read.

use std::cell::RefCell;

use jawgauge_intake::{IntakeError, OpenScan, ScanWarning};
use jawgauge_volume::{Volume, VoxelBox};

use crate::progress::Bar;

/// Voxels read around what was asked for, and around what turned out to be missing.
const MARGIN_VOXELS: usize = 2;
/// Of voxels that the parts would hold together, the share from which on the whole scan
/// is read once.
const WORTH_THE_WHOLE: f64 = 0.5;

/// A scan and the parts of it that are at hand.
pub(crate) struct Parts {
    scan: OpenScan,
    held: RefCell<Vec<Volume>>,
    /// What was noticed while reading voxels.
    noticed: RefCell<Vec<ScanWarning>>,
}

impl Parts {
    pub(crate) fn new(scan: OpenScan) -> Self {
        Self {
            noticed: RefCell::new(scan.warnings().to_vec()),
            scan,
            held: RefCell::new(Vec::new()),
        }
    }

    pub(crate) fn scan(&self) -> &OpenScan {
        &self.scan
    }

    /// What was noticed in the scan so far.
    pub(crate) fn warnings(&self) -> Vec<ScanWarning> {
        self.noticed.borrow().clone()
    }

    /// Does `work` on a part of the scan that is enough for it.
    ///
    /// Starts with a part that holds `guess`, and where `work` asked for voxels beyond it
    /// does it again on more; what comes back is what the whole scan would have given.
    pub(crate) fn with_enough<T>(
        &self,
        guess: Option<VoxelBox>,
        mut work: impl FnMut(&Volume) -> T,
    ) -> Result<T, IntakeError> {
        let dims = self.scan.geometry().dims();
        let middle = VoxelBox { first: dims.map(|n| n / 2), size: [1; 3] };
        let mut part = guess.unwrap_or(middle).widened(MARGIN_VOXELS, dims);
        loop {
            let volume = self.part(part)?;
            let done = work(&volume);
            match volume.missed_voxels() {
                None => return Ok(done),
                Some(missed) => {
                    part = part.joined(&missed.widened(MARGIN_VOXELS, dims));
                }
            }
        }
    }

    /// A volume that holds a part, with nothing missed yet.
    fn part(&self, part: VoxelBox) -> Result<Volume, IntakeError> {
        let held = self.held.borrow().iter().find(|v| v.part().joined(&part) == v.part()).cloned();
        if let Some(held) = held {
            return Ok(held);
        }
        let whole = VoxelBox::whole(self.scan.geometry().dims());
        let together: usize =
            self.held.borrow().iter().map(|v| v.part().voxels()).sum::<usize>() + part.voxels();
        let part = if together as f64 > WORTH_THE_WHOLE * whole.voxels() as f64 {
            self.held.borrow_mut().clear();
            whole
        } else {
            part
        };
        let bar = Bar::new("reading");
        let read = self.scan.read_part(part, Some(&|done, of| bar.tell(done, of)))?;
        for warning in read.warnings {
            if !self.noticed.borrow().contains(&warning) {
                self.noticed.borrow_mut().push(warning);
            }
        }
        // What lies in the new part need not be held twice.
        self.held.borrow_mut().retain(|v| v.part().joined(&part) != part);
        self.held.borrow_mut().push(read.volume.clone());
        Ok(read.volume)
    }
}
