# One small image for worker, API and van; linux/amd64 and linux/arm64 alike, since every dependency has a wheel for both:
#   docker buildx build --platform linux/amd64,linux/arm64 --tag restvolt .
FROM python:3.12-slim AS built
WORKDIR /src
COPY pyproject.toml constraints.txt README.md LICENSE ./
COPY analytics analytics
COPY ingest ingest
COPY api api
COPY simulators simulators
RUN python -m venv /opt/restvolt \
    && /opt/restvolt/bin/pip install --no-cache-dir --constraint constraints.txt '.[fleet,postgres,influx,modbus]'

FROM python:3.12-slim
RUN useradd --uid 10001 --no-create-home --shell /usr/sbin/nologin restvolt \
    && install --directory --owner restvolt --group restvolt /data
COPY --from=built /opt/restvolt /opt/restvolt
ENV PATH=/opt/restvolt/bin:$PATH PYTHONUNBUFFERED=1 RESTVOLT_SETTINGS=/etc/restvolt/restvolt.toml
USER 10001
WORKDIR /data
VOLUME /data
STOPSIGNAL SIGTERM
HEALTHCHECK --interval=15s --timeout=5s --start-period=60s --retries=4 \
    CMD ["python", "-c", "import urllib.request as u; u.urlopen('http://127.0.0.1:8765/healthz', timeout=4)"]
ENTRYPOINT ["restvolt"]
CMD ["run"]
