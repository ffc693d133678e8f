//! Connections that can be cut: the last step of stopping, for peers that never read.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::sync::watch;
use tonic::transport::server::{Connected, TcpConnectInfo};

/// Cuts all connections made from it.
pub struct Scissors(watch::Sender<bool>);

impl Scissors {
    /// Nothing is cut yet.
    pub fn new() -> Self {
        Self(watch::Sender::new(false))
    }

    /// Cuts every connection, now and later.
    pub fn cut(&self) {
        self.0.send_replace(true);
    }

    /// A connection that ends with an error once it is cut.
    pub fn connection(&self, io: TcpStream) -> Cuttable {
        let mut told = self.0.subscribe();
        Cuttable {
            io,
            cut: Box::pin(async move {
                // The scissors being gone means that nobody will cut.
                if told.wait_for(|cut| *cut).await.is_err() {
                    std::future::pending::<()>().await;
                }
            }),
        }
    }
}

/// A TCP connection that can be cut.
pub struct Cuttable {
    io: TcpStream,
    cut: Pin<Box<dyn Future<Output = ()> + Send>>,
}

impl Connected for Cuttable {
    type ConnectInfo = TcpConnectInfo;
    fn connect_info(&self) -> TcpConnectInfo {
        self.io.connect_info()
    }
}

impl AsyncRead for Cuttable {
    // HTTP/2 always waits for something to read, so this is where a cut is noticed, whatever the
    // connection is stuck in.
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if self.cut.as_mut().poll(cx).is_ready() {
            // Not polled again: a finished future would panic.
            self.cut = Box::pin(std::future::ready(()));
            return Poll::Ready(Err(io::ErrorKind::ConnectionAborted.into()));
        }
        Pin::new(&mut self.io).poll_read(cx, buf)
    }
}

impl AsyncWrite for Cuttable {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.io).poll_write(cx, buf)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_shutdown(cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.io).poll_write_vectored(cx, bufs)
    }

    fn is_write_vectored(&self) -> bool {
        self.io.is_write_vectored()
    }
}
